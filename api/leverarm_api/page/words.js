// What people read: states, inputs, numbers, ages. Nothing here touches the page.

import { inUnits, unitOf } from "./units.js";

export const STATES = {
  "held": ["Held", "The ignition is grounded."],
  "start-allowed": ["Start allowed", "The ignition is live. Keep clear, then pull the cord."],
  "running": ["Running", "The ignition is live. Keep clear of belt, drum and flywheel."],
  "stopping": ["Stopping", "The ignition is grounded. The engine may still turn: wait."],
  "tripped": ["Tripped", "The ignition is grounded and stays so until somebody resets."],
};

export const stateWords = (state) => STATES[state] ?? ["Not known", "The guard does not answer; use the button on the stand."];

// `names` gives for each input what it is called when closed or on, and when not.
export const inputWords = ([name, on], names) => (names?.[name] ?? [`${name} on`, `${name} off`])[on ? 0 : 1];

export function number(value, digits) {
  if (value === null || value === undefined) return "–";
  const shown = value.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits });
  return shown.replace(/^-(?=[0.]+$)/, "");
}

export function ageWords(age_ms) {
  if (age_ms === null) return "no data yet";
  if (age_ms <= 500) return "data is fresh";
  if (age_ms < 10000) return `data is ${number(age_ms / 1000, 1)} s old`;
  if (age_ms < 600000) return `data is ${number(age_ms / 1000, 0)} s old`;
  return "data is older than ten minutes";
}

export function atClock(utc) {
  const [at, today] = [new Date(utc), new Date()];
  const day = at.toDateString() === today.toDateString() ? {} : { day: "numeric", month: "short" };
  return at.toLocaleString("en-GB", { ...day, hour: "2-digit", minute: "2-digit" });
}

export function interval(spread, unit, digits) {
  const shown = (value) => number(inUnits(value, unit), digits);
  return spread.low === null ? shown(spread.mean) : `${shown(spread.mean)} (${shown(spread.low)} to ${shown(spread.high)})`;
}

// The limits that hold now, each with what is measured, its unit and how much room counts as near.
export function limitsNow(live, stand) {
  const guard = live.guard;
  const value = (name) => live.values[name]?.value ?? null;
  const cap = guard?.state === "start-allowed" ? guard.start_cap_rpm : null;
  const fastest = [guard?.trip_rpm ?? null, cap].filter((rpm) => rpm !== null);
  return [
    { label: "Speed", now: value("speed_rpm"), limit: fastest.length ? Math.min(...fastest) : null, unit: "rpm", digits: 0, near: 0.95 },
    { label: "Head", now: value("head_c"), limit: stand?.limits.head_trip_c ?? null, unit: "°C", digits: 0, near: 0.9 },
    { label: "Drum", now: value("drum_c"), limit: stand?.limits.drum_trip_c ?? null, unit: "°C", digits: 0, near: 0.9 },
    { label: "Load cell", now: value("force_n"), limit: stand ? stand.load_rated_n * 1.1 : null, unit: "N", digits: 0, near: 0.9 },
  ];
}

export function roomWords({ label, unit: inside, digits, ...values }) {
  const [now, limit, unit] = [inUnits(values.now, inside), inUnits(values.limit, inside), unitOf(inside)];
  if (limit === null) return `${label}: no limit is set`;
  if (now === null) return `${label}: not measured, limit ${number(limit, digits)} ${unit}`;
  const left = limit - now;
  if (left <= 0) return `${label}: over its limit of ${number(limit, digits)} ${unit}`;
  return `${label}: ${number(left, digits)} ${unit} left before ${number(limit, digits)}`;
}
