"use strict";
// What is entered.  An entry waits in this device's storage until the server says that it is on disk; its
// id is made here once, so that it can be sent again and is entered once.

const IMMEDIATE_TRIES = 3;
const SYMPTOMS = ["chest_pain", "breathless", "dizzy", "faint", "pale_or_cold", "leg_pain", "unsteady", "palpitations", "nausea", "other"];
const SIGNS = ["st_change", "arrhythmia", "desaturation", "cyanosis", "other"];
const MISSED = ["not_heard", "not_attempted", "arm_moved", "cuff_fault", "released_early", "participant_stopped", "other"];
const REASONS = ["exhaustion", "symptom", "sign", "sbp_limit", "sbp_fall", "hr_limit", "rpe_limit", "breathless", "leg_fatigue", "cadence_lost", "participant_wish", "staff_decision", "equipment", "protocol_complete", "other"];
const COURSE = [["begin", "Begin"], ["next", "Next stage"], ["hold 30", "Hold 30 s"], ["lower", "Lower load"], ["recovery", "To recovery"], ["close", "End the test"]];

let first = null, last = null, target = null, delivering = false;

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
$("reading").onsubmit = keep;
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
