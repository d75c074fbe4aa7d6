"""The page in a real browser: a whole test driven through it, on two devices, in fast time.

Skipped where there is no Chromium; on Debian `apt-get install chromium` brings it.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from typing import Any

import pytest

import pipeline.events as ev
from adapters.page.sent import SOURCE
from pipeline.control import Begin, NextStage

playwright_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
expect = playwright_api.expect
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium here; apt-get install chromium brings it"
)
QUIET_STARTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
TABLET, PHONE = {"width": 1024, "height": 768}, {"width": 390, "height": 844}
PATIENCE_MS = 20_000
Serve = Callable[..., Any]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET_STARTS))
        yield started
        started.close()


@pytest.fixture
def device(browser: Any) -> Iterator[Callable[..., Any]]:
    """device(url, size): a page on a device of its own; what its console complains of fails the test."""
    contexts, complaints = [], []

    def make(url: str, size: dict[str, int] = TABLET, script: str = "") -> Any:
        context = browser.new_context(viewport=size)
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        if script:
            page.add_init_script(script)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on(
            "console", lambda said: complaints.append(said.text) if "Security Policy" in said.text else None
        )
        page.goto(url)
        return page

    expect.set_options(timeout=PATIENCE_MS)
    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def tap(page: Any, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def tab(page: Any, name: str) -> None:
    page.get_by_role("tab", name=name).click()


def press(page: Any, keys: str) -> None:
    """Keys of the page's own keypad."""
    for key in keys:
        page.locator(f"#keys button:text-is('{key}')").click()


def said(page: Any, text: str) -> None:
    expect(page.locator("#said")).to_contain_text(text)


def test_a_whole_test_is_run_from_two_devices(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve()
    test = served.rehearsed
    assessor, operator = device(served.url), device(served.url, PHONE)
    expect(assessor.locator("#do")).to_have_text("NOT BEGUN")
    expect(assessor.locator("#caution")).to_contain_text("does not diagnose or decide")
    tab(operator, "Course")
    tap(operator, "Begin")
    expect(assessor.locator("#stage")).to_have_text("rest")

    test.advance(45, 0, 70)
    expect(assessor.locator("#do")).to_have_text("STAND BY")
    expect(operator.locator("#do")).to_have_text("STAND BY")
    test.advance(120.5, 0, 70)
    expect(assessor.locator("#do")).to_have_text("PUMP, FEEL THE PULSE GO")
    expect(assessor.locator("#how")).to_contain_text("listen down to 50")
    expect(assessor.locator("#how")).to_contain_text("finish by 08:03:")
    expect(assessor.locator("#heart")).to_have_text(re.compile("^(6[89]|7[0-2])$"))

    # the first sound at one touch, the numbers with thumbs
    tap(assessor, "First sound now")
    expect(assessor.locator("#marked")).to_have_text("first 08:02:00")
    test.advance(137.5, 0, 70)
    tap(assessor, "Last sound now")
    expect(assessor.locator("#marked")).to_contain_text("last 08:02:17")
    press(assessor, "129")
    tap(assessor, "Back")
    press(assessor, "8")
    tap(assessor, "Next")
    tap(assessor, "Next")
    press(assessor, "78")
    assessor.get_by_text("How it was taken").click()
    assessor.get_by_label("Arm", exact=True).select_option("left")
    assessor.get_by_label("Let down, mmHg per s").fill("3")
    assessor.get_by_label("Let down, mmHg per s").blur()
    tap(assessor, "Keep reading")
    said(assessor, "kept: 128/78")
    expect(operator.locator("#rows")).to_contain_text("128/78")
    [reading] = test.of(ev.ReadingTaken)
    assert (reading.k1_mmhg, reading.k5_mmhg, reading.arm, reading.measured_source) == (
        128,
        78,
        "left",
        "marked",
    )
    moments = [
        (moment - test.clock.anchor).total_seconds() for moment in (reading.event_time, reading.last_sound_at)
    ]
    assert moments == pytest.approx([120.5, 137.5], abs=0.5)
    assert reading.due_seq is not None

    test.advance(540 - 20, 50, 100)
    expect(assessor.locator("#do")).to_contain_text("PUMP TO ")
    # the connection goes: the entry waits here, is seen to be waiting, and is entered once
    assessor.context.set_offline(True)
    assessor.get_by_label("First sound", exact=True).focus()
    assessor.keyboard.type("150/80")
    assessor.keyboard.press("Enter")
    expect(assessor.locator("#waiting")).to_contain_text("NOT KEPT YET: 150/80")
    expect(assessor.locator("#link")).to_contain_text("NO CONNECTION since 08:08:")
    assert len(test.of(ev.ReadingTaken)) == 1
    assessor.context.set_offline(False)
    said(assessor, "kept: 150/80")
    expect(assessor.locator("#waiting")).to_be_empty()
    assert [one.k1_mmhg for one in test.of(ev.ReadingTaken)] == [128, 150]
    # the technique starts as it was, and the mark of the last reading does not
    second = test.of(ev.ReadingTaken)[1]
    assert (second.arm, second.deflation_mmhg_per_s, second.measured_source) == ("left", 3, "estimated")

    # an answer that is lost on its way: sent again, taken once
    lost: list[str] = []

    def lose(route: Any) -> None:
        route.fetch()
        lost.append(route.request.post_data)
        route.abort()

    assessor.route("**/entries", lose, times=1)
    tab(assessor, "Exertion")
    tap(assessor, "13")
    said(assessor, "kept: rpe 13")
    assert len(lost) == 1
    [rated] = test.of(ev.ExertionRated)
    assert (rated.rpe, rated.rpe_scale) == (13, "6-20")

    # a symptom raises a flag, which both see and one acknowledges
    test.advance(600, 100, 120)
    assessor.get_by_label("how bad").select_option("2")
    tap(assessor, "chest pain")
    said(assessor, "kept: symptom chest_pain 2")
    for page in (assessor, operator):
        expect(page.locator("#flags")).to_contain_text("CAUTION")
    flag = operator.locator("#flags li", has_text="chest pain")
    expect(flag).to_contain_text("limit >= 2")
    flag.get_by_role("button").click()
    expect(assessor.locator("#flags li.seen", has_text="chest pain")).to_be_visible()
    [seen] = test.of(ev.FlagAcknowledged)
    assert (seen.code, seen.by) == ("symptom", "AB-1")
    tap(assessor, "arrhythmia")
    said(assessor, "kept: sign arrhythmia")

    # falls: a stop-level flag stays on top until it is seen
    test.advance(690, 100, 130)
    tab(assessor, "Reading")
    for text in ("129/82",):
        assessor.get_by_label("First sound", exact=True).focus()
        assessor.keyboard.type(text)
        assessor.keyboard.press("Enter")
        said(assessor, f"kept: {text}")
    expect(operator.locator("#stops li").first).to_contain_text("STOP")
    expect(operator.locator("#stops li").first).to_contain_text("21 below 150")

    # corrected with a reason; missed with a reason; a note; typed like at the terminal
    tab(assessor, "More")
    assessor.get_by_label("It was, like 148/82").fill("159/82")
    assessor.get_by_label("Because", exact=True).fill("typed wrong")
    tap(assessor, "Correct")
    said(assessor, "was 159/82")
    expect(operator.locator("#rows")).to_contain_text("159/82")
    assessor.get_by_label("Note", exact=True).fill("saddle raised")
    tap(assessor, "Keep note")
    said(assessor, "kept: note saddle raised")
    assessor.get_by_label("Typed, like").fill("cuff 36x16")
    tap(assessor, "Keep")
    said(assessor, "kept: cuff 36x16")
    tab(assessor, "Reading")
    assessor.get_by_label("Missed because").select_option("not_heard")
    said(assessor, "kept: missed not_heard")

    # stop is always there, with a reason
    tap(operator, "STOP")
    operator.get_by_label("Stopped by").select_option("participant")
    tap(operator, "leg fatigue")
    said(operator, "done: stop, leg fatigue")
    expect(assessor.locator("#stage")).to_have_text("recovery")
    expect(assessor.locator("#set")).to_have_text("stopped: leg fatigue")
    tab(operator, "Course")
    tap(operator, "End the test")
    expect(assessor.locator("#do")).to_have_text("TEST CLOSED")
    [closed] = test.of(ev.TestClosed)
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("stopped", "leg_fatigue", "participant")
    [missed] = [one for one in test.of(ev.ReadingMissed) if one.source.startswith(SOURCE)]
    assert (missed.reason, missed.attempted) == ("not_heard", True)
    assert [one.text for one in test.of(ev.NoteWritten)] == ["saddle raised"]
    assert len(test.of(ev.CuffChanged)) == 1


def test_an_entry_survives_the_page_and_is_not_given_to_another_test(
    serve: Serve, device: Callable[..., Any]
) -> None:
    served = serve(protocol=None)
    page = device(served.url)
    expect(page.locator("#do")).to_have_text("RECORDING")
    page.route("**/entries", lambda route: route.abort())
    tab(page, "More")
    page.get_by_label("Note", exact=True).fill("before the battery went")
    tap(page, "Keep note")
    expect(page.locator("#waiting")).to_contain_text("before the battery went")
    served.rehearsed.show(test_id="OTHER-1")
    page.unroute("**/entries")
    page.reload()
    expect(page.locator("#waiting")).to_contain_text("of test BEDSIDE-1, which is not being recorded now")
    assert served.rehearsed.of(ev.NoteWritten) == []
    served.rehearsed.show()
    said(page, "kept: note before the battery went")
    [note] = served.rehearsed.of(ev.NoteWritten)
    assert note.text == "before the battery went"


def test_what_is_refused_comes_back_to_be_mended(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve(protocol=None)
    page = device(served.url)
    page.get_by_label("First sound", exact=True).fill("12x")
    tap(page, "Keep reading")
    said(page, "12x is no number")
    page.get_by_label("First sound", exact=True).fill("999")
    page.get_by_label("Last sound", exact=True).fill("80")
    tap(page, "Keep reading")
    said(page, "NOT KEPT: 999/80: k1_mmhg")
    expect(page.get_by_label("First sound", exact=True)).to_have_value("999")
    expect(page.get_by_label("Last sound", exact=True)).to_have_value("80")
    page.get_by_label("First sound", exact=True).fill("200")
    page.get_by_label("first sound heard as pumping stopped").check()
    page.get_by_label("sounds went on there").check()
    tap(page, "Keep reading")
    said(page, "kept: >200/<80")
    [reading] = served.rehearsed.of(ev.ReadingTaken)
    assert (reading.k1_at_least, reading.k5_mmhg, reading.heard_to_mmhg) == (True, None, 80)


def test_moving_the_test_on_is_done_now_or_not_at_all(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve()
    page = device(served.url)
    served.rehearsed.ask(Begin())
    expect(page.locator("#stage")).to_have_text("rest")
    tab(page, "Course")
    page.context.set_offline(True)
    tap(page, "Next stage")
    said(page, "NOT DONE: Next stage: no connection")
    page.context.set_offline(False)
    served.rehearsed.advance(5)
    expect(page.locator("#link")).to_have_text("connected")
    assert len(served.rehearsed.of(ev.StageStarted)) == 1
    tap(page, "Next stage")
    said(page, "done: Next stage")
    assert len(served.rehearsed.of(ev.StageStarted)) == 2


def test_a_shared_page_asks_for_the_code(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve(protocol=None, share=True)
    page = device(served.url)
    page.get_by_label("Code that the terminal shows").fill("WRONG")
    tap(page, "Open")
    expect(page.locator("#door-said")).to_contain_text("not the code")
    expect(page.locator("#page")).to_be_hidden()
    page.get_by_label("Code that the terminal shows").fill(served.codes[-1])
    page.keyboard.press("Enter")
    expect(page.locator("#do")).to_have_text("RECORDING")
    [cookie] = page.context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")


def test_a_second_observer_sees_no_number_of_the_first(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve()
    page = device(served.url)
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(130, 0, 70)
    tab(page, "More")
    page.get_by_label("Used by").select_option("second")
    page.get_by_label("Code of the observer").fill("cd-2")
    served.enter(1, reading={"k1_mmhg": 128, "k5_mmhg": 78}, first={"at_s": 120})
    expect(page.locator("#rows")).to_contain_text("hidden until you have entered yours")
    assert "128" not in page.locator("#rows").inner_text()
    tab(page, "Reading")
    page.get_by_label("First sound", exact=True).focus()
    page.keyboard.type("132/80")
    page.keyboard.press("Enter")
    expect(page.locator("#rows")).to_contain_text("128/78")
    second = served.rehearsed.of(ev.ReadingTaken)[1]
    assert (second.role, second.observer, second.k1_mmhg) == ("second", "CD-2", 132)


TONES = """
window.tones = 0;
window.AudioContext = class {
  currentTime = 0;
  createOscillator() { window.tones += 1; return { connect() {}, start() {}, stop() {} }; }
};
"""


def test_nothing_sounds_and_nothing_moves_while_a_reading_goes_on(
    serve: Serve, device: Callable[..., Any]
) -> None:
    served = serve()
    page = device(served.url, script=TONES)
    tab(page, "More")
    page.get_by_label("A tone at stand-by").check()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(42, 0, 70)
    expect(page.locator("#do")).to_have_text("STAND BY")
    page.wait_for_function("tones === 1")
    served.rehearsed.advance(60.5, 0, 70)
    expect(page.locator("#do")).to_have_text("PUMP, FEEL THE PULSE GO")
    tones, chart = page.evaluate("tones"), page.locator("#chart").inner_html()
    for at_s in (70, 80, 90):
        served.rehearsed.advance(at_s, 0, 70)
        expect(page.locator("#clock")).to_contain_text(f"08:01:{at_s - 60}")
    assert page.evaluate("tones") == tones
    assert page.locator("#chart").inner_html() == chart
    moving = (
        "getComputedStyle(one).animationName !== 'none' || getComputedStyle(one).transitionDuration !== '0s'"
    )
    assert page.evaluate(f"[...document.querySelectorAll('*')].filter(one => {moving}).length") == 0


def test_the_keyboard_alone_is_enough(serve: Serve, device: Callable[..., Any]) -> None:
    served = serve()
    page = device(served.url)
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(101, 0, 70)
    expect(page.locator("#do")).to_have_text("PUMP, FEEL THE PULSE GO")
    page.keyboard.press(" ")
    expect(page.locator("#marked")).to_contain_text("first 08:01:4")
    served.rehearsed.advance(112, 0, 70)
    expect(page.locator("#clock")).to_contain_text("08:01:5")
    page.keyboard.press(" ")
    expect(page.locator("#marked")).to_contain_text("last 08:01:5")
    focused = "document.activeElement.id"
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate(focused) == "k1":
            break
    page.keyboard.type("126")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    page.keyboard.type("76")
    page.keyboard.press("Enter")
    said(page, "kept: 126/76")
    assert served.rehearsed.of(ev.ReadingTaken)[0].measured_source == "marked"
    page.locator("#tab-reading").focus()
    page.keyboard.press("ArrowRight")
    assert page.evaluate(focused) == "tab-felt"
    expect(page.locator("#panel-felt")).to_be_visible()
    page.locator("#stop").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#stopping")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#stopping")).to_be_hidden()


# Names, roles, references, contrast (WCAG 2.1: 4.5 to 1, large text 3 to 1), and room for a thumb.
# ruff: noqa: E501
CHECK = """() => {
  const wrong = [], seen = (one) => one.checkVisibility({ visibilityProperty: true }) && one.getClientRects().length;
  const ids = [...document.querySelectorAll('[id]')].map((one) => one.id);
  for (const id of new Set(ids)) if (ids.filter((one) => one === id).length > 1) wrong.push('twice: ' + id);
  for (const one of document.querySelectorAll('[aria-controls], [aria-labelledby]'))
    for (const name of ['aria-controls', 'aria-labelledby'])
      if (one.getAttribute(name) && !document.getElementById(one.getAttribute(name))) wrong.push('no such: ' + one.getAttribute(name));
  for (const one of document.querySelectorAll('button, input, select, [role=group], section, table, svg[role]')) {
    if (!seen(one)) continue;
    const by = one.getAttribute('aria-labelledby');
    const name = one.getAttribute('aria-label') || (by && document.getElementById(by).textContent) || (one.labels && [...one.labels].map((l) => l.textContent).join('')) || (['BUTTON', 'TABLE'].includes(one.tagName) && one.textContent);
    if (!name || !name.trim()) wrong.push('no name: ' + one.outerHTML.slice(0, 60));
  }
  for (const one of document.querySelectorAll('button, select, input:not([type=checkbox])')) {
    const box = one.getBoundingClientRect();
    if (seen(one) && (box.height < 44 || box.width < 44)) wrong.push('small: ' + one.outerHTML.slice(0, 60));
    if (seen(one) && one.scrollWidth > one.clientWidth + 1) wrong.push('cut: ' + one.outerHTML.slice(0, 60));
  }
  const rgb = (text) => text.match(/[0-9.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4).reduce((sum, v, n) => sum + v * [0.2126, 0.7152, 0.0722][n], 0);
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const one = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !seen(one) || one.closest('svg, .sr, option')) continue;
    const style = getComputedStyle(one);
    let behind = one;
    while (behind && (rgb(getComputedStyle(behind).backgroundColor)[3] ?? 1) === 0) behind = behind.parentElement;
    const back = behind ? rgb(getComputedStyle(behind).backgroundColor) : [255, 255, 255];
    const [high, low] = [light(rgb(style.color)), light(back)].sort((a, b) => b - a);
    const px = parseFloat(style.fontSize), large = px >= 24 || (px >= 18.66 && style.fontWeight >= 700);
    if ((high + 0.05) / (low + 0.05) < (large ? 3 : 4.5)) wrong.push('contrast: ' + one.outerHTML.slice(0, 60));
  }
  if (document.documentElement.scrollWidth > innerWidth) wrong.push('wider than the screen: ' + document.documentElement.scrollWidth);
  return wrong;
}"""


@pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])
def test_it_is_readable_named_and_large_enough(
    serve: Serve, device: Callable[..., Any], size: dict[str, int]
) -> None:
    served = serve()
    page = device(served.url, size)
    expect(page.locator("#do")).to_have_text("NOT BEGUN")
    assert page.evaluate("document.documentElement.lang") == "en"
    assert page.evaluate(CHECK) == []
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(45, 0, 70)
    expect(page.locator("#now")).to_have_attribute("data-doing", "stand_by")
    assert page.evaluate(CHECK) == []
    served.rehearsed.advance(150, 0, 70)
    served.enter(1, reading={"k1_mmhg": 262, "k5_mmhg": 120, "arm": "left"}, first={"at_s": 120})
    served.rehearsed.ask(NextStage())
    served.rehearsed.advance(170, 50, 100)
    served.enter(2, typed="symptom dizzy 2")
    expect(page.locator("#flags")).to_contain_text("dizz")
    page.locator("#stops").or_(page.locator("#flags")).get_by_role("button").first.click()
    page.get_by_text("How it was taken").click()
    for name in ("Reading", "Exertion", "Course", "More"):
        tab(page, name)
        assert page.evaluate(CHECK) == [], name
    served.rehearsed.advance(330, 50, 100)
    expect(page.locator("#now")).to_have_attribute("data-doing", re.compile("take|enter"))
    assert page.evaluate(CHECK) == []
    tap(page, "STOP")
    assert page.evaluate(CHECK) == []
