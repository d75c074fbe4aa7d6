"use strict";
// The bedside page: shows what the server says of the test, and counts down from it.  What is entered is in
// entries.js, the chart in chart.js.

const $ = (id) => document.getElementById(id);
const NOTHING = { prompts: [], readings: [], flags: [], trouble: [], stages: [], windows: [], state: "waiting" };
const KEPT = "cuffwatt-";
const RETRY_MS = 1000, REQUEST_MS = 15000, CHART_EVERY_MS = 5000, DISTRUST_S = 2;

let facts = { opened_clock_s: 0, observer: null, caution: "" };
let picture = NOTHING, version = "", trace = [], polling = null;
let offsets = [], lostAt = null, seenOnce = false;
let chartAt = 0, toned = "";

// ---- small things

const words = (code) => code.replaceAll("_", " ").replace(/^st /, "ST ").replace(/\b(sbp|hr|rpe)\b/, (short) => ({ sbp: "pressure", hr: "heart rate", rpe: "exertion" })[short]);
const hex = (bytes) => Array.from(crypto.getRandomValues(new Uint8Array(bytes)), (one) => one.toString(16).padStart(2, "0")).join("");
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const two = (number) => String(number).padStart(2, "0");
const clock = (s) => { const t = Math.floor((facts.opened_clock_s + s) % 86400); return `${two(Math.floor(t / 3600))}:${two(Math.floor(t / 60) % 60)}:${two(t % 60)}`; };
const minutes = (s) => { const t = Math.max(0, Math.ceil(s)); return `${Math.floor(t / 60)}:${two(t % 60)}`; };
const setText = (node, text) => { if (node.textContent !== text) node.textContent = text; };
const round = (value) => value === null || value === undefined ? "–" : String(Math.round(value));

function stored(key, otherwise) {
  try { return JSON.parse(localStorage.getItem(KEPT + key)) ?? otherwise; } catch { return otherwise; }
}
function store(key, value) {
  try { localStorage.setItem(KEPT + key, JSON.stringify(value)); return true; } catch { return false; }
}
function device() {
  const known = stored("device", null);
  if (/^[0-9a-f]{6}$/.test(known)) return known;
  const made = hex(3);
  store("device", made);
  return made;
}
// a moment by clocks that only count here; the time of day of the device is never used
const moment = () => ({ counted: performance.now(), origin: performance.timeOrigin, wall: Date.now() });
function ago(one) {
  const ms = one.origin === performance.timeOrigin ? performance.now() - one.counted : Date.now() - one.wall;
  return Math.max(0, ms / 1000);
}
function say(text, bad) {
  setText($("said"), text);
  $("said").classList.toggle("bad", Boolean(bad));
}
async function post(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: AbortSignal.timeout(REQUEST_MS) });
  if (answer.status === 401) { showDoor(); throw new Error("the code is wanted first"); }
  return { status: answer.status, ...await answer.json() };
}

// ---- the moment now, and what is to be done

function nowS() {
  return offsets.length ? Math.max(...offsets) + performance.now() / 1000 : picture.now_s || 0;
}
function hear(now_s) {
  // the picture that was least long on its way tells the time best
  const offset = now_s - performance.now() / 1000;
  if (offsets.length && Math.abs(Math.max(...offsets) - offset) > DISTRUST_S) offsets = [];
  offsets = [...offsets.slice(-9), offset];
}
function doing(prompt, now) {
  if (now < prompt.stand_by) return "wait";
  if (now < prompt.cuff_up) return "stand_by";
  return now < prompt.window_closes ? "take" : "enter";
}
const isQuiet = (now) => picture.prompts.some((one) => one.issued && one.cuff_up <= now);

function act(now) {
  const stage = picture.stage, next = picture.next;
  const none = { doing: "none", label: "", until: null, how: "" };
  if (picture.state === "closed") return { ...none, title: "TEST CLOSED", how: "it is being sealed; nothing more can be entered" };
  if (picture.state === "waiting" && next) return { ...none, title: "NOT BEGUN", how: `Course, Begin starts ${next}` };
  if (picture.state === "waiting") return { ...none, title: "RECORDING", how: "no protocol: enter readings as they are taken" };
  const begun = picture.prompts.filter((one) => ["stand_by", "take"].includes(doing(one, now)));
  const prompt = begun.at(-1) || picture.prompts[0];
  if (!prompt) {
    const left = stage && stage.planned_end_s !== null ? stage.planned_end_s : null;
    return { ...none, title: "NO READING NOW", label: left === null ? "" : "left of the stage", until: left };
  }
  const arm = prompt.arm ? `${prompt.arm} arm` : "";
  const pump = prompt.inflate_to === null ? "PUMP, FEEL THE PULSE GO" : `PUMP TO ${prompt.inflate_to}`;
  const feel = prompt.inflate_to === null ? "note where the pulse goes, let down, wait 30 s, pump 30 above it" : "";
  const dial = prompt.above_dial ? "more than the dial has" : "";
  const only = prompt.fits === "systolic" ? "the first sound is enough" : "";
  const until = prompt.aims_at === "mark" ? `first sound at ${clock(prompt.first_sound_due)}` : `finish by ${clock(prompt.window_closes)}`;
  const how = (...parts) => parts.filter(Boolean).join(" · ");
  const again = prompt.aims_at === "repeat" ? "repeat" : "";
  const listen = `listen down to ${prompt.listen_to}`;
  const what = doing(prompt, now);
  if (what === "wait") return { doing: what, title: stage && !stage.loaded ? "WAIT" : "RIDE, WAIT", label: "pump in", until: prompt.cuff_up, how: how(again, `stand by at ${clock(prompt.stand_by)}`, `then ${pump.toLowerCase()}`, arm, feel) };
  if (what === "stand_by") return { doing: what, title: "STAND BY", label: "pump in", until: prompt.cuff_up, how: how(again, arm || "arm and stethoscope", pump.toLowerCase(), listen, dial, only, feel) };
  if (what === "take") return { doing: what, title: pump, label: "finish within", until: prompt.window_closes, how: how(again, arm, listen, until, "then enter it", dial, only, feel) };
  return { doing: what, title: "ENTER THE READING", label: "counted as missed in", until: prompt.missed_at, how: `of ${clock(prompt.cuff_up)}, or say why it is missed` };
}
function beside(now) {
  const said = [];
  if (picture.load_to_set !== null && picture.load_to_set !== undefined) said.push(`SET ${Math.round(picture.load_to_set)} W`);
  if (picture.exertion_asked) said.push("ASK EXERTION");
  const late = picture.prompts.filter((one) => doing(one, now) === "enter" && act(now).doing !== "enter");
  if (late.length) said.push(`STILL TO ENTER: the reading of ${clock(late[0].cuff_up)}`);
  return said.join(" · ");
}

function tick() {
  const now = nowS(), what = act(now);
  $("now").dataset.doing = what.doing;
  setText($("do"), what.title);
  setText($("count-label"), what.label);
  setText($("count-down"), what.until === null ? "" : minutes(what.until - now));
  setText($("how"), what.how);
  setText($("beside"), beside(now));
  setText($("clock"), seenOnce ? `${clock(now)} · ${minutes(now)}` : "");
  tickStage(now);
  tone(what, now);
  if (!isQuiet(now) && Date.now() - chartAt > CHART_EVERY_MS) redraw(now);
}
function tickStage(now) {
  const stage = picture.stage;
  setText($("stage-number"), stage ? `Stage ${stage.number}` : "Stage");
  setText($("stage"), stage ? stage.label : picture.next ? "none yet" : "none");
  let left = "";
  if (stage && stage.planned_end_s !== null) left = stage.planned_end_s >= now ? `${minutes(stage.planned_end_s - now)} left` : `over by ${minutes(now - stage.planned_end_s)}`;
  else if (stage) left = `${minutes(now - stage.started_s)} so far`;
  setText($("stage-left"), [left, picture.next && !picture.backed_off ? `then ${picture.next}` : "", picture.backed_off ? "load taken back" : ""].filter(Boolean).join(" · "));
  setText($("target"), stage && stage.target_watts !== null ? round(stage.target_watts) : "–");
  setText($("set"), picture.stopped ? `stopped: ${words(picture.stopped)}` : "");
  logged("watts", picture.watts, now);
  logged("heart", picture.heart_rate_bpm, now);
  if (picture.cadence_rpm && picture.cadence_rpm.value !== null) $("watts-age").textContent += ` · ${Math.round(picture.cadence_rpm.value)} rpm`;
}
function logged(id, one, now) {
  const known = one && one.value !== null;
  setText($(id), known ? round(one.value) : "–");
  $(id + "-age").textContent = known ? `${Math.round(one.age_s + Math.max(0, now - picture.watched_s))} s ago` : "nothing logged";
}
function redraw(now) {
  chartAt = Date.now();
  drawChart($("chart"), picture, trace, now);
}
// a tone for what comes, none while a reading goes on
function tone(what, now) {
  if (!$("sound").checked || what.until === null || isQuiet(now)) return;
  const left = Math.ceil(what.until - now);
  const key = what.doing === "stand_by" ? `${what.until}:${left <= 3 ? left : "on"}` : "";
  if (!key || key === toned || left < 1) return;
  toned = key;
  const audio = tone.audio ||= new AudioContext(), note = audio.createOscillator();
  note.connect(audio.destination);
  note.start();
  note.stop(audio.currentTime + 0.12);
}

// ---- what the server says

async function follow() {
  for (;;) {
    polling = new AbortController();
    const enough = setTimeout(() => polling.abort(), REQUEST_MS);
    try {
      if (!seenOnce) facts = await get("facts");
      const query = new URLSearchParams({ after: version, points: trace.length, role: $("role").value });
      show(await get(`state?${query}`));
    } catch (error) {
      if (error.code === "asked") continue;
      if (error.name === "AbortError" && polling.again) continue;
      lost();
      await sleep(RETRY_MS);
    } finally {
      clearTimeout(enough);
    }
  }
}
async function get(path) {
  const answer = await fetch(path, { cache: "no-store", signal: polling.signal });
  if (answer.status === 401) {
    showDoor();
    await new Promise((opened) => { showDoor.opened = opened; });
    throw Object.assign(new Error("asked for the code"), { code: "asked" });
  }
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}
function show(got) {
  hear(got.now_s);
  const redone = got.version !== version;
  trace = [...trace.slice(0, got.trace_from), ...got.trace];
  picture = got;
  version = got.version;
  lostAt = null;
  if (!seenOnce) { seenOnce = true; $("page").hidden = false; $("caution").textContent = facts.caution; $("observer").value ||= facts.observer || ""; technique(); }
  if (redone) render();
  link();
  tick();
  showWaiting();
  deliver();
}
function lost() {
  lostAt ??= nowS();
  link();
}
function link() {
  const count = waiting().length;
  $("link").classList.toggle("away", lostAt !== null);
  let text = "connected";
  if (lostAt !== null && picture.state === "closed") text = "the test is closed";
  else if (lostAt !== null) text = `NO CONNECTION since ${clock(lostAt)}: what is shown is old; entries wait on this device`;
  setText($("link"), count ? `${text} (${count} not kept yet)` : text);
}
function render() {
  setText($("test"), `${picture.test_id} · ${picture.participant}`);
  $("trouble").textContent = picture.trouble.join("; ");
  const stops = (flag) => flag.level === "stop" && !flag.acknowledged;
  list($("stops"), picture.flags.filter(stops), flagLine);
  list($("flags"), picture.flags.filter((flag) => !stops(flag)), flagLine);
  $("others").hidden = picture.flags.every(stops);
  list($("rows"), picture.readings.slice(-4).reverse(), readingRow);
  $("scale").textContent = picture.rpe_scale ? `(${picture.rpe_scale})` : "(scale not named in the setup)";
  buttons($("rpe"), rpeScale().map((one) => [`rpe ${one}`, String(one)]), enterTyped);
  setText($("then"), picture.next ? `Next: ${picture.next}` : "");
  const mine = lastReading();
  setText($("last"), mine ? `${pressure(mine)} of ${clock(mine.elapsed_s)}` : "(none yet)");
  $("inflated").placeholder = asked() === null ? "" : `asked: ${asked()}`;
  if (!isQuiet(nowS())) redraw(nowS());
}
const asked = () => picture.prompts[0]?.inflate_to ?? null;
function rpeScale() {
  const [from, to] = { "6-20": [6, 20], "0-10": [0, 10] }[picture.rpe_scale] || [0, 20];
  return Array.from({ length: to - from + 1 }, (_, n) => from + n);
}
function list(parent, items, made) {
  // what is the same stays, so that neither focus nor a reader's place is lost
  const texts = JSON.stringify(items);
  if (parent.dataset.shown === texts) return;
  parent.dataset.shown = texts;
  parent.replaceChildren(...items.map(made));
}
function element(name, text, className) {
  const node = document.createElement(name);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  return node;
}
function flagLine(flag) {
  const line = element("li", undefined, `${flag.level}${flag.acknowledged ? " seen" : ""}`), said = element("div");
  const gone = flag.holds ? "" : ": was outside, is no longer";
  said.append(element("b", `${flag.level.toUpperCase()} ${clock(flag.raised_s)} `), `${flag.words || words(flag.code)}${gone}`);
  const rule = [flag.rule, flag.detail && words(flag.detail), flag.source].filter(Boolean).join("; ");
  if (rule) said.append(element("small", rule));
  line.append(said);
  if (flag.acknowledged) line.append(element("span", "seen"));
  else {
    const seen = element("button", "Seen");
    seen.setAttribute("aria-label", `Seen: ${words(flag.code)}`);
    seen.onclick = () => enter({ seen: { code: flag.code, target_seq: flag.target_seq, by: $("observer").value.toUpperCase() || null } }, `${words(flag.code)} seen`);
    line.append(seen);
  }
  return line;
}
function pressure(one) {
  if (one.hidden) return "hidden until you have entered yours";
  if (one.k1_mmhg === null) return one.status;
  const low = one.dbp_mmhg !== null ? round(one.dbp_mmhg) : "–";
  return `${one.k1_at_least ? ">" : ""}${round(one.k1_mmhg)}/${low}${one.dbp_phase === "K4" ? " (K4)" : ""}`;
}
function change(value, u) {
  if (value === null) return "–";
  return `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(Math.round(value))}${u ? " ± " + Math.round(2 * u) : ""}`;
}
function readingRow(one) {
  const row = element("tr", undefined, one.used ? "" : "out");
  const remark = one.status === "void" ? "taken out" : one.role === "second" ? "second observer" : one.status === "taken" && !one.used ? `not used: ${words(one.used_note || "")}` : "";
  const said = element("td", pressure(one), "pressure");
  if (remark) said.append(element("small", ` ${remark}`));
  row.append(element("td", clock(one.elapsed_s)), element("td", one.stage_label || "–"), said,
    element("td", change(one.sbp_change_rest_mmhg, one.u_sbp_change_rest_mmhg)), element("td", change(one.sbp_change_stage_mmhg, one.u_sbp_change_stage_mmhg)),
    element("td", round(one.watts)), element("td", round(one.heart_rate_bpm)), element("td", round(one.rpe)));
  return row;
}

