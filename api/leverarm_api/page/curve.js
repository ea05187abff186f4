// Torque and power against speed, drawn while the pull happens. Two scales: torque left, power right.

import { unitOf } from "./units.js";
import { number } from "./words.js";

const MARGIN = { left: 40, right: 40, top: 12, bottom: 30 };

export function draw(canvas, points) {
  const box = fitToScreen(canvas);
  const pen = canvas.getContext("2d");
  const colour = (name) => getComputedStyle(canvas).getPropertyValue(name).trim();
  pen.clearRect(0, 0, box.width, box.height);
  const scales = scalesFor(points, box);
  drawFrame(pen, box, scales, colour);
  drawLine(pen, points.map((p) => [scales.x(p[0]), scales.torque(p[1])]), colour("--torque"), []);
  drawLine(pen, points.map((p) => [scales.x(p[0]), scales.power(p[2])]), colour("--power"), [7, 4]);
}

export function describe(points) {
  if (points.length === 0) return "Torque and power against speed: nothing drawn yet";
  const best = (index) => points.reduce((a, b) => (b[index] > a[index] ? b : a));
  const [torque, power] = [best(1), best(2)];
  return `Torque and power against speed: torque up to ${number(torque[1], 1)} ${unitOf("N·m")} at ${number(torque[0], 0)} rpm, `
    + `power up to ${number(power[2], 2)} ${unitOf("kW")} at ${number(power[0], 0)} rpm`;
}

function fitToScreen(canvas) {
  const { width, height } = canvas.getBoundingClientRect();
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  canvas.getContext("2d").setTransform(ratio, 0, 0, ratio, 0, 0);
  return { width, height };
}

function scalesFor(points, box) {
  const speeds = points.map((p) => p[0]);
  const low = Math.floor(Math.min(1500, ...speeds) / 500) * 500;
  const high = Math.ceil(Math.max(3500, ...speeds) / 500) * 500;
  const torqueTop = roundUp(Math.max(7, ...points.map((p) => p[1])));
  const powerTop = roundUp(Math.max(1, ...points.map((p) => p[2])));
  const across = box.width - MARGIN.left - MARGIN.right;
  const up = box.height - MARGIN.top - MARGIN.bottom;
  const y = (top) => (value) => MARGIN.top + up * (1 - Math.max(0, value) / top);
  return {
    low, high, torqueTop, powerTop,
    x: (speed) => MARGIN.left + (across * (speed - low)) / (high - low),
    torque: y(torqueTop), power: y(powerTop),
  };
}

// A top that four steps divide into numbers worth reading.
function roundUp(value) {
  const step = value > 40 ? 20 : value > 6 ? 4 : 2;
  return Math.ceil((value * 1.05) / step) * step;
}

function drawFrame(pen, box, scales, colour) {
  pen.font = "12px system-ui, sans-serif";
  pen.lineWidth = 1;
  pen.setLineDash([]);
  pen.strokeStyle = colour("--line");
  const bottom = box.height - MARGIN.bottom;
  for (let part = 0; part <= 4; part += 1) {
    const y = MARGIN.top + ((bottom - MARGIN.top) * (4 - part)) / 4;
    strokeLine(pen, MARGIN.left, y, box.width - MARGIN.right, y);
    label(pen, number((scales.torqueTop * part) / 4, 0), MARGIN.left - 6, y + 4, "right", colour("--torque"));
    label(pen, number((scales.powerTop * part) / 4, 1), box.width - MARGIN.right + 6, y + 4, "left", colour("--power"));
  }
  const step = scales.high - scales.low > 2500 || box.width < 420 ? 1000 : 500;
  for (let speed = Math.ceil((scales.low + 1) / step) * step; speed <= scales.high; speed += step) {
    strokeLine(pen, scales.x(speed), bottom, scales.x(speed), bottom + 4);
    label(pen, number(speed, 0), scales.x(speed), bottom + 17, "center", colour("--soft"));
  }
  label(pen, "rpm", MARGIN.left - 6, bottom + 17, "right", colour("--soft"));
}

function strokeLine(pen, x1, y1, x2, y2) {
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}

function label(pen, text, x, y, align, ink) {
  pen.fillStyle = ink;
  pen.textAlign = align;
  pen.fillText(text, x, y);
}

function drawLine(pen, points, ink, dash) {
  if (points.length === 0) return;
  pen.strokeStyle = ink;
  pen.lineWidth = 2.5;
  pen.setLineDash(dash);
  pen.beginPath();
  points.forEach(([x, y], index) => (index === 0 ? pen.moveTo(x, y) : pen.lineTo(x, y)));
  pen.stroke();
}
