// Talks to the server: reading, commands with the token, the stop without it, the live stream.

const TOKEN = "leverarm-token";

export function takeTokenFromAddress() {
  const given = new URLSearchParams(location.hash.slice(1)).get("token");
  if (!given) return;
  useToken(given);
  history.replaceState(null, "", location.pathname);    // a token must not stay in the address bar
}

export const useToken = (token) => sessionStorage.setItem(TOKEN, token.trim());
export const hasToken = () => Boolean(sessionStorage.getItem(TOKEN));

export async function read(path, signal) {
  return answerOf(await fetch(path, { cache: "no-store", signal }));
}

const withToken = (headers) => ({ ...headers, "Authorization": `Bearer ${sessionStorage.getItem(TOKEN) ?? ""}` });

// What this page may do; throws when the token is the wrong one.
export async function access() {
  return answerOf(await fetch("/v1/access", { cache: "no-store", headers: withToken({}) }));
}

export async function command(path, body) {
  const headers = withToken({ "Content-Type": "application/json" });
  return answerOf(await fetch(path, { method: "POST", headers, body: JSON.stringify(body) }));
}

// No token, no body, and a limit on the waiting: a person who presses stop must soon know whether it went.
export async function stop() {
  return answerOf(await fetch("/v1/stop", { method: "POST", signal: AbortSignal.timeout(4000) }));
}

async function answerOf(response) {
  const answer = await response.json();
  if (response.ok) return answer;
  const problem = new Error(answer.detail ?? response.statusText);
  problem.reasons = answer.reasons ?? [];
  throw problem;
}

// Calls onLive with each picture; onGone once when the stream breaks. The browser reconnects by itself,
// except after an answer that is no stream: then a new one is opened.
export function follow(onLive, onGone) {
  const stream = new EventSource("/v1/live");
  stream.addEventListener("live", (event) => onLive(JSON.parse(event.data)));
  stream.addEventListener("error", () => {
    onGone();
    if (stream.readyState === EventSource.CLOSED) setTimeout(() => follow(onLive, onGone), 1000);
  });
}
