// Shows one live picture. Every function takes what it needs and writes only what has changed.

import { draw, describe } from "./curve.js";
import { inUnits, unitOf } from "./units.js";
import { ageWords, atClock, inputWords, limitsNow, number, roomWords, stateWords } from "./words.js";

const FIGURES = [
  { name: "speed_rpm", label: "Speed", unit: "rpm", digits: 0 },
  { name: "torque_corrected_nm", label: "Torque, corrected", unit: "N·m", digits: 1 },
  { name: "power_corrected_kw", label: "Power, corrected", unit: "kW", digits: 2 },
  { name: "head_c", label: "Head", unit: "°C", digits: 0 },
];
const NO_VALUE = { value: null, unit: "", quality: "bad", reason: "no value" };
export const STALE_MS = 500;
const TOO_OLD_MS = 3000;

let lastPull = null;

export const find = (id) => document.getElementById(id);

export function text(id, words) {
  const element = find(id);
  if (element.textContent !== words) element.textContent = words;
}

export function make(tag, words = "", className = "") {
  const element = document.createElement(tag);
  element.textContent = words;
  if (className) element.className = className;
  return element;
}

export function list(id, lines) {
  const element = find(id);
  if (element.dataset.lines === JSON.stringify(lines)) return;
  element.dataset.lines = JSON.stringify(lines);
  element.replaceChildren(...lines.map((line) => make("li", line)));
}

// --- the guard's view ---

export function showGuard(guard, causes, inputs) {
  const [word, line] = stateWords(guard?.state);
  document.body.dataset.state = guard?.state ?? "unknown";
  text("state-word", word);
  text("state-line", line);
  text("build", guard ? `On the brake: ${guard.build ?? "no build yet"}` : "Build on the brake: not known");
  if (guard) find("simulated").hidden = !guard.simulated;      // what was simulated stays so when nobody answers
  text("inputs", (guard?.inputs ?? []).map((input) => inputWords(input, inputs)).join(" · "));
  list("notices", (guard?.notices ?? []).map((notice) => causes[notice]?.words ?? notice));
  showCause(guard, causes);
  showWhyNot(guard);
}

function showCause(guard, causes) {
  const first = guard?.first_cause;
  find("cause").hidden = !first;
  if (!first) return;
  text("cause-words", causes[first]?.words ?? first);
  text("cause-advice", causes[first]?.advice ?? "Throttle shut, strap slack, fuel off.");
  const followed = guard.followed_by.map((id) => causes[id]?.words ?? id);
  text("cause-followed", followed.length ? `Followed by: ${followed.join("; ")}` : "");
}

function showWhyNot(guard) {
  const told = ["held", "tripped"].includes(guard?.state) ? guard.why_not : [];
  find("why-not").hidden = told.length === 0;
  list("why-not-list", told);
}

export function showTrip(trip) {
  const speeds = [
    ["at the edge", trip?.edge_rpm], ["peak", trip?.peak_rpm], ["over the limit", trip?.overshoot_rpm],
  ].filter(([, rpm]) => rpm !== null && rpm !== undefined);
  text("cause-speeds", speeds.map(([what, rpm]) => `${number(rpm, 0)} rpm ${what}`).join(", "));
}

// --- numbers ---

export function makeNumbers() {
  find("numbers").replaceChildren(...FIGURES.map(({ name, label, unit }) => {
    const box = make("div", "", "number");
    box.id = name;
    const head = make("p", `${label} `, "label");
    head.append(make("b", unit, "unit"));
    box.append(head, make("p", "–", "figure"), make("p", "", "quality"));
    return box;
  }));
}

// At standstill nothing is wrong with what is not there, and torque is what hangs on the arm, uncorrected.
export function showNumbers(values) {
  const still = values.speed_rpm?.value === 0;
  for (const { name, label, unit, digits } of FIGURES) {
    const hanging = still && name === "torque_corrected_nm";
    const value = calm((hanging ? values.torque_nm : values[name]) ?? NO_VALUE, still && name !== "head_c");
    const box = find(name);
    box.className = `number ${value.quality}`;
    box.querySelector(".label").firstChild.textContent = `${hanging ? "Torque on the arm" : label} `;
    box.querySelector(".figure").textContent = number(inUnits(value.value, value.unit), digits);
    box.querySelector(".unit").textContent = unitOf(value.unit || unit);
    box.querySelector(".quality").textContent = qualityWords(value);
  }
}

function calm(value, still) {
  return still && value.value === null ? { ...value, quality: "good", reason: "stands still" } : value;
}

// What helps with wiring and calibration: force, raw counts, and the drum.
export function showRaw(values) {
  const told = [["force_n", "Force", 1], ["load_counts", "Load cell", 0], ["drum_c", "Drum", 0]]
    .filter(([name]) => values[name]?.value !== null && values[name] !== undefined)
    .map(([name, label, digits]) => `${label} ${number(inUnits(values[name].value, values[name].unit), digits)} ${unitOf(values[name].unit)}`);
  text("raw", told.join(" · "));
}

function qualityWords(value) {
  if (value.quality === "good") return value.reason === "SAE J1349" ? "" : value.reason;
  return value === NO_VALUE ? value.reason : [value.quality, value.reason].filter(Boolean).join(": ");
}

export function showAge(age_ms) {
  document.body.classList.toggle("stale", age_ms === null || age_ms > STALE_MS);
  text("age", ageWords(age_ms));
  if (age_ms !== null && age_ms > TOO_OLD_MS) {
    showNumbers({});
    showRaw({});
  }
}

// --- room left to each limit ---

export function showRoom(live, stand) {
  const known = live.guard && live.age_ms <= STALE_MS;
  text("room-title", known ? "Room left" : "Room left: not known");
  const limits = !known ? [] : limitsNow(live, stand).filter(({ limit, now }) => limit !== null || now !== null);
  const bars = find("room-bars");
  while (bars.children.length < limits.length) bars.append(makeBar());
  while (bars.children.length > limits.length) bars.lastElementChild.remove();
  limits.forEach((limit, index) => fillBar(bars.children[index], limit));
}

function makeBar() {
  const bar = make("div", "", "bar");
  const track = make("div", "", "track");
  track.append(make("div", "", "fill"));
  bar.append(make("p"), track);
  return bar;
}

function fillBar(bar, limit) {
  const used = limit.now === null || limit.limit === null ? 0 : Math.min(1, Math.max(0, limit.now / limit.limit));
  bar.classList.toggle("near", used >= limit.near);
  bar.querySelector("p").textContent = roomWords(limit);
  bar.querySelector(".fill").style.width = `${(100 * used).toFixed(1)}%`;
}

// --- the pull ---

// Curves come uncorrected, and are shown corrected like all other figures.
const ofLive = ({ curve, values }) => ({ curve, factor: values.correction?.value ?? 1, correction: values.correction?.reason });
const ofLast = ({ curve, correction_factor: factor, correction }) => ({
  curve: curve.map((point) => [point.speed_rpm, point.torque_nm, point.power_kw]), factor, correction,
});

export function keepLast(pull) {
  lastPull = pull;
}

// Between pulls the last one is shown, as it is stored.
export function showPull(live) {
  const canvas = find("curve");
  const last = lastPull ? ` Shown: pull ${lastPull.id}, ${lastPull.build}, ${atClock(lastPull.started_utc)}.` : "";
  text("pull-words", live.pull || `No pull is under way.${last}`);
  const { curve, factor, correction } = live.pull ? ofLive(live) : lastPull ? ofLast(lastPull) : { curve: [], factor: 1 };
  const how = correction ? `both corrected: ${correction}` : "both uncorrected";
  text("curve-correction", curve.length === 0 ? "nothing drawn yet" : how);
  const points = curve.map(([rpm, nm, kw]) => [rpm, inUnits(nm * factor, "N·m"), inUnits(kw * factor, "kW")]);
  draw(canvas, points);
  const drawn = `${live.pull ? "live" : lastPull?.id} ${points.length} ${unitOf("kW")}`;
  if (canvas.dataset.drawn !== drawn) {
    canvas.dataset.drawn = drawn;
    canvas.setAttribute("aria-label", describe(points));
  }
}

export function showRecorded(live) {
  find("not-recorded").hidden = live.recorded;
  text("not-recorded", live.recorded ? "" : ["This run is not recorded", live.not_recorded_because].filter(Boolean).join(": "));
}
