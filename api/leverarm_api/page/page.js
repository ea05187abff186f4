// The page's thread: facts once, the live stream, buttons. The stop button depends on nothing else here.

import { refreshRecords } from "./records.js";
import { STALE_MS, find, make, makeNumbers, showAge, showGuard, showNumbers, showPull, showRaw, showRecorded, showRoom, showTrip, text } from "./show.js";
import { access, command, follow, hasToken, read, stop, takeTokenFromAddress, useToken } from "./talk.js";
import { nameUnits, system, useSystem } from "./units.js";

const now = { live: null, arrived_ms: 0, guard: null, guard_ms: 0, asking: false, stand: null, causes: {}, order: [], lastPull: undefined, trip: null };

const NO_PULL = { curve: [], pull: "" };
const NOTHING = { guard: null, values: {} };

// --- stop: wired first ---

async function stopNow() {
  text("answer", "Asking for a stop…");
  try {
    take(await stop());
    text("answer", "The guard has been told to stop the engine.");
  } catch (problem) {
    text("answer", `The stop did not get through: use the button on the stand. (${problem.message})`);
  }
}

find("stop").addEventListener("click", stopNow);
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") stopNow();
});

// --- the other buttons ---

function onPress(id, path, body) {
  find(id).addEventListener("click", async () => {
    text("answer", "Asking…");
    try {
      take(await command(path, { revision: now.guard.revision, ...body() }));
      text("answer", "Done.");
    } catch (problem) {
      text("answer", problem.message);
    }
  });
}

onPress("allow", "/v1/allow", () => ({}));
onPress("reset", "/v1/reset", () => ({}));
onPress("select", "/v1/select", () => ({ build: find("builds").value }));

find("token-form").addEventListener("submit", (event) => {
  event.preventDefault();
  useToken(find("token").value);
  find("token").value = "";
  checkToken();
});

find("units").addEventListener("change", () => {
  useSystem(find("units").value);
  nameUnits();
  showPull(now.live ?? NO_PULL);
  records();
});

// A mistyped token is told now, not when somebody needs it.
async function checkToken() {
  if (hasToken()) await access().catch(() => {
    useToken("");
    text("answer", "That is not the stand's token. Use the one that was printed at the first start.");
  });
  showButtons();
  records();
}

function showButtons() {
  const { guard } = now;
  const may = hasToken() && guard !== null;
  find("allow").hidden = guard?.state !== "held";
  find("allow").disabled = !(may && guard.why_not.length === 0);
  find("reset").hidden = guard?.state !== "tripped";
  find("reset").disabled = !may;
  find("select").disabled = !(may && guard.state === "held");
  const needsToken = !hasToken() && ["held", "tripped"].includes(guard?.state);
  text("command-hint", needsToken ? "This needs the token; there is a field for it further down." : "");
  text("token-words", hasToken() ? "A token is in use in this tab." : "Without the token this page can look, and stop; nothing else.");
}

// --- what comes in ---

function take(guard) {
  if (guard?.build && guard.build !== now.guard?.build) find("builds").value = guard.build;
  now.guard = guard;
  now.guard_ms = performance.now();
  if (!guard) showRoom(NOTHING, now.stand);
  showGuard(guard, now.causes, now.stand?.input_words);
  showButtons();
  if (guard?.state === "tripped" && !now.trip) lookUpTrip();
  if (guard?.state !== "tripped") now.trip = null;
}

async function lookUpTrip() {
  now.trip = "asked";
  showTrip(null);
  await new Promise((resume) => setTimeout(resume, 1500));     // the recorder writes the peak a moment later
  const { trips } = await read("/v1/trips?limit=1").catch(() => ({ trips: [] }));
  if (trips[0]?.first_cause === now.guard?.first_cause) showTrip(trips[0]);
}

function onLive(live) {
  now.live = live;
  now.arrived_ms = performance.now();
  find("unreachable").hidden = true;
  take(live.guard);
  showNumbers(live.values);
  showRaw(live.values);
  showRoom(live, now.stand);
  showPull(live);
  showRecorded(live);
  if (live.last_pull !== now.lastPull) {
    now.lastPull = live.last_pull;
    records();
  }
}

function onGone() {
  text("unreachable", "No contact with the computer: what you see is old. It is tried again; the stop button below is tried all the same.");
  find("unreachable").hidden = false;
}

function records() {
  refreshRecords(now.order).then(() => showPull(now.live ?? NO_PULL)).catch((problem) => text("pulls-none", problem.message));
}

// When nothing comes in, the age goes on growing here, and a state that nobody has told lately is not known any more.
setInterval(() => {
  showAge(now.live && now.live.age_ms + performance.now() - now.arrived_ms);
  if (now.guard && performance.now() - now.guard_ms > STALE_MS) take(null);
}, 100);

// Without the stream the state is asked for; an answer may never come.
setInterval(async () => {
  if (now.asking || performance.now() - now.arrived_ms < STALE_MS) return;
  now.asking = true;
  const state = await read("/v1/state", AbortSignal.timeout(2500)).catch(() => null);
  now.asking = false;
  take(state?.guard ?? null);
}, 250);

// --- begin ---

async function learn() {
  const [stand, { causes }, { builds }] = await Promise.all(["/v1/stand", "/v1/causes", "/v1/builds"].map((path) => read(path)));
  now.stand = stand;
  now.causes = Object.fromEntries(causes.map((cause) => [cause.id, cause]));
  text("stand-name", `${stand.name}: ${stand.engine.name}`);
  document.title = `${stand.name} – brake stand`;
  now.order = builds.map(({ name }) => name);
  find("builds").replaceChildren(...now.order.map((name) => make("option", name)));
  if (now.guard?.build) find("builds").value = now.guard.build;
}

takeTokenFromAddress();
makeNumbers();
checkToken();
find("units").value = system();
nameUnits();
showPull(NO_PULL);
window.addEventListener("resize", () => showPull(now.live ?? NO_PULL));
learn().catch((problem) => text("answer", problem.message)).finally(() => follow(onLive, onGone));
