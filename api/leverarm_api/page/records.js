// What is kept: the last pulls, the groups, the verdict.

import { command, hasToken, read } from "./talk.js";
import { find, keepLast, make, text } from "./show.js";
import { inUnits, system, unitOf } from "./units.js";
import { atClock, interval, number } from "./words.js";

const SHOWN = 8;

// `order`: the names of the builds as the stand file lists them; the first is what the others are held against.
export async function refreshRecords(order) {
  const { pulls } = await read(`/v1/pulls?limit=${SHOWN}`);
  showPulls(pulls, order);
  await lookUpLast(pulls);
  const { groups, not_made } = await read("/v1/groups");
  showGroups(groups);
  await showVerdicts(groups, not_made, order);
}

// The newest that is worth a curve: short ones are fragments, unless somebody keeps them.
async function lookUpLast(pulls) {
  const last = pulls.find((pull) => pull.kept || pull.kind === "pull");
  keepLast(last ? await read(`/v1/pulls/${last.id}`) : null);
}

// --- pulls ---

function showPulls(pulls, order) {
  find("pulls-none").hidden = pulls.length > 0;
  find("pulls-list").replaceChildren(...pulls.map((pull) => pullRow(pull, order)));
}

function pullRow(pull, order) {
  const row = make("li", "", pull.kept ? "" : "left-out");
  row.append(make("strong", peaks(pull)), make("span", facts(pull)), keepButton(pull, order));
  return row;
}

function peaks({ peak_torque_nm: torque, peak_power_kw: power }) {
  const told = ({ value, speed_rpm }, unit, digits) => `${number(inUnits(value, unit), digits)} ${unitOf(unit)} at ${number(speed_rpm, 0)}`;
  return `${told(torque, "N·m", 1)}, ${told(power, "kW", 2)}`;
}

function facts(pull) {
  const remarks = [
    `no. ${pull.id}`, pull.build, atClock(pull.started_utc), pull.kept ? "" : "left out", pull.kind === "short" ? "short" : "",
    pull.kept_why ? `because ${pull.kept_why}` : "",
    pull.quality === "good" ? "" : `${pull.quality}: ${pull.reason}`, pull.simulated ? "simulated" : "",
  ];
  return remarks.filter(Boolean).join(" · ");
}

function keepButton(pull, order) {
  const button = make("button", pull.kept ? "Leave out" : "Keep");
  button.type = "button";
  button.disabled = !hasToken();
  button.setAttribute("aria-label", `${button.textContent} pull ${pull.id}`);
  button.addEventListener("click", () => (pull.kept ? askWhy(pull, button, order) : turn(pull, "one touch on the page", order)));
  return button;
}

// Nothing is left out without a reason that others can read later.
function askWhy(pull, button, order) {
  const form = make("form", "", "why");
  const reason = make("input");
  Object.assign(reason, { required: true, maxLength: 200, placeholder: "Why?", ariaLabel: `Why pull ${pull.id} is left out` });
  const done = make("button", "Leave out");
  form.append(reason, done);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    turn(pull, reason.value.trim(), order);
  });
  button.replaceWith(form);
  reason.focus();
}

async function turn(pull, why, order) {
  try {
    await command(`/v1/pulls/${pull.id}/keep`, { kept: !pull.kept, why });
    await refreshRecords(order);
  } catch (problem) {
    text("answer", problem.message);
  }
}

// --- groups and verdict ---

function showGroups(groups) {
  find("groups").hidden = groups.length === 0;
  find("groups").tBodies[0].replaceChildren(...groups.map(groupRow));
}

function groupRow(group) {
  const row = make("tr");
  const name = make("th", group.build);
  name.scope = "row";
  const count = `${group.pulls.length}${group.provisional ? " (provisional)" : ""}`;
  row.append(name, make("td", count), make("td", interval(group.torque_nm, "N·m", 2)), make("td", interval(group.power_kw, "kW", 2)));
  return row;
}

async function showVerdicts(groups, notMade, order) {
  const place = (name) => (order.includes(name) ? order.indexOf(name) : order.length);
  const names = groups.filter((group) => group.pulls.length >= 2).map((group) => group.build).sort((a, b) => place(a) - place(b));
  if (names.length < 2) return find("verdict-lines").replaceChildren(
    make("p", "Two builds with at least two kept pulls each are needed."), ...notMade.map((line) => make("p", line)));
  const lines = await Promise.all(names.slice(1).map((name) => verdictLines(names[0], name)));
  return find("verdict-lines").replaceChildren(...lines.flat(), ...notMade.map((line) => make("p", line)));
}

async function verdictLines(a, b) {
  try {
    const { comparisons } = await read(`/v1/compare?${new URLSearchParams({ a, b, units: system() })}`);
    const warnings = [...new Set(comparisons.flatMap(({ warnings: some }) => some))];
    return [
      ...comparisons.map(({ sentence }) => make("p", sentence, "sentence")),
      ...warnings.map((warning) => make("p", warning)),
    ];
  } catch (problem) {
    return [make("p", problem.message)];
  }
}
