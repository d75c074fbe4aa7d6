"use strict";
// The bedside page.  It shows what the server says of the test, counts down from it, and sends what is
// entered.  An entry waits in this device's storage until the server says that it is on disk; its id is
// made here once, so that it can be sent again and is entered once.

const $ = (id) => document.getElementById(id);
const NOTHING = { prompts: [], readings: [], flags: [], trouble: [], stages: [], windows: [], state: "waiting" };
const KEPT = "cuffwatt-";
const IMMEDIATE_TRIES = 3, RETRY_MS = 1000, REQUEST_MS = 15000, CHART_EVERY_MS = 5000, DISTRUST_S = 2;
const SYMPTOMS = ["chest_pain", "breathless", "dizzy", "faint", "pale_or_cold", "leg_pain", "unsteady", "palpitations", "nausea", "other"];
const SIGNS = ["st_change", "arrhythmia", "desaturation", "cyanosis", "other"];
const MISSED = ["not_heard", "not_attempted", "arm_moved", "cuff_fault", "released_early", "participant_stopped", "other"];
const REASONS = ["exhaustion", "symptom", "sign", "sbp_limit", "sbp_fall", "hr_limit", "rpe_limit", "breathless", "leg_fatigue", "cadence_lost", "participant_wish", "staff_decision", "equipment", "protocol_complete", "other"];
const COURSE = [["begin", "Begin"], ["next", "Next stage"], ["hold 30", "Hold 30 s"], ["lower", "Lower load"], ["recovery", "To recovery"], ["close", "End the test"]];

let facts = { opened_clock_s: 0, observer: null, caution: "" };
let picture = NOTHING, version = "", trace = [], polling = null;
let offsets = [], lostAt = null, seenOnce = false;
let first = null, last = null, target = null, delivering = false, chartAt = 0, toned = "";

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

// ---- entries: kept on this device until they are on disk

const waiting = () => stored("waiting", []);
function enter(what, said, more = {}) {
  const item = { id: `${device()}-${hex(8)}`, test: picture.test_id, made: moment(), what, said, ...more };
  if (!store("waiting", [...waiting(), item])) say("this device cannot store entries: watch for 'kept'", true);
  showWaiting();
  deliver();
}
const enterTyped = (typed) => enter({ typed }, typed);
function settled(id) {
  store("waiting", waiting().filter((one) => one.id !== id));
  showWaiting();
}
const heardAt = (one) => one === null || one === undefined ? null : one.at_s !== undefined ? { at_s: one.at_s } : { ago_s: ago(one) };
async function deliver() {
  if (delivering || !seenOnce) return;
  delivering = true;
  try {
    for (const item of waiting()) {
      if (item.test !== picture.test_id) continue;
      const answer = await post("entries", { id: item.id, test_id: item.test, ago_s: ago(item.made), first: heardAt(item.first), last: heardAt(item.last), ...item.what });
      if (answer.waits || answer.kept === undefined && answer.status >= 500) { say(`not on disk yet: ${item.said}`, true); break; }
      settled(item.id);
      if (answer.kept) say(`kept: ${item.said}${answer.doubt ? `. ${answer.doubt} If not, correct it under More.` : ""}`, answer.doubt);
      else { say(`NOT KEPT: ${item.said}: ${answer.error}`, true); refill(item.form); }
    }
  } catch { lost(); } finally { delivering = false; link(); }
}
function showWaiting() {
  const items = waiting().map(({ id, test, said }) => ({ id, test, said, foreign: seenOnce && test !== picture.test_id }));
  list($("waiting"), items, (item) => {
    const line = element("li", `NOT KEPT YET: ${item.said} `);
    if (item.foreign) {
      line.append(`(of test ${item.test}, which is not being recorded now) `);
      const drop = element("button", "Forget it");
      drop.onclick = () => settled(item.id);
      line.append(drop);
    }
    return line;
  });
}
// moving the test on is done now or not at all: late, it would move another stage
async function move(typed, said) {
  const body = { id: `${device()}-${hex(8)}`, test_id: picture.test_id, stage: picture.stage ? picture.stage.number : 0, typed };
  for (let n = 0; n < IMMEDIATE_TRIES; n += 1) {
    try {
      const answer = await post("entries", body);
      say(answer.kept ? `done: ${said}` : `NOT DONE: ${answer.error}`, !answer.kept);
      return;
    } catch { await sleep(RETRY_MS); }
  }
  lost();
  say(`NOT DONE: ${said}: no connection. Say it aloud and do it at another device.`, true);
}

// ---- the reading

async function mark() {
  const heard = moment();
  if (first === null) first = heard; else last = heard;
  showMarks();
  try { heard.at_s = (await post("marks", { ago_s: ago(heard) })).at_s; } catch { lost(); }
  showMarks();
}
function showMarks() {
  const at = (one) => one.at_s === undefined ? "marked here" : clock(one.at_s);
  setText($("mark"), first === null ? "First sound now" : last === null ? "Last sound now" : "Last sound now (again)");
  setText($("marked"), first === null ? "not marked" : `first ${at(first)}${last === null ? "" : `, last ${at(last)}`}`);
  $("unmark").hidden = first === null;
}
function unmark() { first = last = null; showMarks(); }

const FIELDS = ["k1", "k4", "k5", "inflated", "palpated", "per-s", "per-beat", "below"];
function number(id) {
  const text = $(id).value.trim().replace(",", ".").replace("−", "-");
  if (text === "") return null;
  if (!/^-?\d+(\.\d+)?$/.test(text)) {
    $(id).focus();
    throw new Error(`${$(id).labels[0].textContent}: ${$(id).value} is no number`);
  }
  return Number(text);
}
function keep(event) {
  event.preventDefault();
  let values;
  try {
    values = Object.fromEntries(FIELDS.map((id) => [id, number(id)]));
    if (values.k1 === null) { $("k1").focus(); throw new Error("enter the first sound, or choose why the reading is missed"); }
  } catch (error) { say(error.message, true); return; }
  const went = $("went-on").checked, over = $("at-least").checked;
  const reading = {
    k1_mmhg: values.k1, k1_at_least: over || null, k4_mmhg: values.k4, k5_mmhg: went ? null : values.k5, heard_to_mmhg: went ? values.k5 : null,
    palpated_mmhg: values.palpated, inflated_to_mmhg: values.inflated, deflation_mmhg_per_s: values["per-s"], deflation_mmhg_per_beat: values["per-beat"],
    arm_below_heart_cm: values.below, arm: $("arm").value || null, clarity: $("clarity").value || null, arm_support: $("support").value || null,
    observer: $("observer").value.toUpperCase() || null, note: $("reading-note").value || null, role: $("role").value === "second" ? "second" : "primary",
  };
  const parts = [values.k1, values.k4, values.k5].filter((one) => one !== null);
  const said = `${over ? ">" : ""}${parts.slice(0, -1).join("/")}${parts.length > 1 ? "/" : ""}${went ? "<" : ""}${parts.at(-1)}`;
  const form = { ...Object.fromEntries(["k1", "k4", "k5", "inflated", "palpated", "clarity", "reading-note"].map((id) => [id, $(id).value])), over, went, first, last };
  for (const id in form) if ($(id)) $(id).value = "";
  $("at-least").checked = $("went-on").checked = false;
  enter({ reading }, said, { first, last, form });
  unmark();
  aim("k1");
}
function refill(form) {
  // what was refused comes back to be mended, unless the next one is being entered
  if (!form || $("k1").value || first !== null) return;
  for (const id in form) if ($(id)) $(id).value = form[id];
  $("at-least").checked = form.over;
  $("went-on").checked = form.went;
  [first, last] = [form.first, form.last];
  showMarks();
}
function technique() {
  const said = [$("arm").value, $("per-s").value && `${$("per-s").value} mmHg/s`, $("per-beat").value && `${$("per-beat").value} mmHg/beat`, $("support").selectedIndex > 0 && $("support").selectedOptions[0].textContent].filter(Boolean);
  setText($("technique-said"), said.join(", ") || "nothing noted");
}
function aim(id) {
  target = $(id);
  target.focus({ preventScroll: true });
}
function onward() {
  const order = ["k1", "k4", "k5"], at = order.indexOf((target || $("k1")).id);
  if (at === 2) $("keep").focus(); else aim(order[at + 1] || "k1");
}
function press(key) {
  target ||= $("k1");
  if (key === "Next") onward();
  else if (key === "Back") target.value = target.value.slice(0, -1);
  else if (key === "Clear") target.value = "";
  else if (target.value.length < 5) target.value += key;
}
function lastReading() {
  const second = $("role").value === "second";
  return picture.readings.filter((one) => one.status === "taken" && (one.role === "second") === second).at(-1);
}
function amend(pressures) {
  const reading = lastReading(), by = ($("observer").value || facts.observer || "").toUpperCase(), reason = $("amend-why").value.trim();
  if (!reading) say("there is no reading to correct", true);
  else if (!by) say("enter the code of the observer below, then correct", true);
  else if (!reason) say("say why: a correction has a reason", true);
  else {
    enter({ correct: { target_seq: reading.reading_id, pressures, reason, by } }, pressures === null ? `${pressure(reading)} taken out` : `${pressure(reading)} was ${pressures}`);
    $("amend-to").value = $("amend-why").value = "";
  }
}

// ---- setting up

function buttons(parent, items, press) {
  list(parent, items, ([what, text]) => {
    const button = element("button", text);
    button.type = "button";
    button.onclick = () => press(what, text);
    return button;
  });
}
function choose(tab) {
  for (const one of $("tabs").children) {
    const chosen = one === tab;
    one.setAttribute("aria-selected", chosen);
    one.tabIndex = chosen ? 0 : -1;
    $(one.getAttribute("aria-controls")).hidden = !chosen;
  }
}
function showDoor() {
  $("page").hidden = true;
  $("door").hidden = false;
  $("code").focus();
}
async function open(event) {
  event.preventDefault();
  try {
    const answer = await (await fetch("code", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code: $("code").value }) })).json();
    $("code").value = "";
    setText($("door-said"), answer.error || "");
    if (answer.error) return;
    $("door").hidden = true;
    $("page").hidden = !seenOnce;
    showDoor.opened?.();
  } catch { setText($("door-said"), "no connection"); }
}

for (const key of ["1", "2", "3", "Back", "4", "5", "6", "Clear", "7", "8", "9", "Next", ".", "0"]) {
  const button = element("button", key);
  button.type = "button";
  button.id = `key-${key}`;
  button.onpointerdown = (event) => event.preventDefault();
  button.onclick = () => press(key);
  $("keys").append(button);
}
const keepButton = element("button", "Keep reading", "main");
keepButton.id = "keep";
$("keys").append(keepButton);
for (const id of FIELDS) $(id).onfocus = () => { target = $(id); };
for (const id of ["k1", "k4", "k5"]) $(id).onkeydown = (event) => {
  if (event.key === "/" || (event.key === "Enter" && id !== "k5")) { event.preventDefault(); if (event.key === "/" && id === "k1") aim("k5"); else onward(); }
};
for (const node of document.querySelectorAll("[data-kept]")) {
  const known = stored(`field-${node.id}`, null);
  if (known !== null) { if (node.type === "checkbox") node.checked = known; else node.value = known; }
  node.addEventListener("change", () => {
    store(`field-${node.id}`, node.type === "checkbox" ? node.checked : node.value);
    technique();
  });
}
$("role").addEventListener("change", () => { version = ""; polling.again = true; polling.abort(); });
for (const reason of MISSED) $("missed").append(new Option(words(reason), reason));
$("missed").onchange = () => { if ($("missed").value) enterTyped(`missed ${$("missed").value}`); $("missed").value = ""; unmark(); };
const noted = (kind) => (code) => { enterTyped([kind, code, $("severity").value].filter(Boolean).join(" ")); $("severity").value = ""; };
buttons($("symptoms"), SYMPTOMS.map((code) => [code, words(code)]), noted("symptom"));
buttons($("signs"), SIGNS.map((code) => [code, words(code)]), noted("sign"));
buttons($("course"), COURSE, move);
buttons($("reasons"), REASONS.map((code) => [code, words(code)]), (code) => { $("stopping").close(); move(`stop ${code} ${$("stop-by").value}`, `stop, ${words(code)}`); });
$("stop").onclick = () => $("stopping").showModal();
$("go-on").onclick = () => $("stopping").close();
$("mark").onclick = mark;
$("unmark").onclick = unmark;
$("panel-reading").onsubmit = keep;
$("door").onsubmit = open;
$("noting").onsubmit = (event) => { event.preventDefault(); if ($("note").value.trim()) enterTyped(`note ${$("note").value.trim()}`); $("note").value = ""; };
$("typing").onsubmit = (event) => { event.preventDefault(); if ($("typed").value.trim()) { enter({ typed: $("typed").value.trim() }, $("typed").value.trim(), { first, last }); unmark(); } $("typed").value = ""; };
$("amending").onsubmit = (event) => { event.preventDefault(); if ($("amend-to").value.trim()) amend($("amend-to").value.trim()); else say("enter what it was, like 148/82", true); };
$("void").onclick = () => amend(null);
for (const tab of $("tabs").children) tab.onclick = () => choose(tab);
$("tabs").onkeydown = (event) => {
  const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!step) return;
  const tabs = [...$("tabs").children], next = tabs[(tabs.indexOf(document.activeElement) + step + tabs.length) % tabs.length];
  choose(next);
  next.focus();
};
document.addEventListener("keydown", (event) => {
  // the space bar marks a sound wherever it would do nothing else
  if (event.key === " " && document.activeElement === document.body && !$("stopping").open && !$("page").hidden) { event.preventDefault(); mark(); }
});
technique();
showWaiting();
setInterval(tick, 250);
follow();
