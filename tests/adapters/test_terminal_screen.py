"""The screen of the terminal as a pure function: what stands on it in each state, and that it always fits."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest

from adapters.block_digits import block_digits
from adapters.terminal_screen import Line, Typing, screen
from adapters.terminal_words import Wall
from adapters.typed_entry import Heard
from pipeline.derived import Flag, Logged, ShownReading, Watched
from pipeline.live_view import FlagShown, LiveView, PromptShown
from pipeline.output import CAUTION
from pipeline.prompt import Prompt, StageInForce
from pipeline.protocol import Stage

HERE = datetime(2026, 3, 14, 9, 30, tzinfo=timezone(timedelta(hours=1)))
WALL = Wall(HERE)
NOTHING = Typing()
RIDDEN = Stage(label="50 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=50.0)
NEXT = Stage(label="75 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=75.0)


def prompt(**more: Any) -> Prompt:
    """A reading of a stage from 600 to 780 s: stand by at 676, pump at 696, done by 780."""
    usual: dict[str, Any] = {
        "key": "1:end", "stage_index": 1, "aims_at": "stage_end", "fits": "whole", "stand_by": 676.0,
        "cuff_up": 696.0, "first_sound_due": 722.0, "window_closes": 780.0, "inflate_to": 190.0,
        "listen_to": 50.0, "expected_sbp": 150.0, "expected_dbp": 70.0, "snapshot_seq": 4, "t1": 26.0,
        "t2": 32.0, "tail": 11.0, "slack": 26.0,
    }  # fmt: skip
    return Prompt(**usual | more)


def flag(level: Any = "caution", code: str = "symptom", words: str = "dizziness: ask", **more: Any) -> Flag:
    usual: dict[str, Any] = {
        "code": code, "level": level, "target_seq": 7, "stage_index": 1, "phase": "exercise", "flag_at": HERE,
        "quantity": "presence", "observed": 1.0, "operator": ">=", "threshold": 1.0, "unit": None,
        "words": words, "detail": None, "rule_source": "invented",
    }  # fmt: skip
    return Flag(**usual | more)


def reading(at_s: float = 300.0, **more: Any) -> ShownReading:
    usual: dict[str, Any] = {
        "reading_id": 9, "status": "taken", "used": True, "used_note": None, "stage_index": 0,
        "stage_label": "seated rest", "elapsed_s": at_s, "k1_mmhg": 122.0, "k1_at_least": False,
        "k4_mmhg": None, "k5_mmhg": 78.0, "dbp_mmhg": 78.0, "dbp_phase": "K5", "watts": None,
        "heart_rate_bpm": 71.0, "rpe": None, "role": "primary", "sbp_change_rest_mmhg": None,
        "sbp_change_stage_mmhg": None, "u_sbp_mmhg": None, "u_dbp_mmhg": None,
        "u_sbp_change_rest_mmhg": None, "u_sbp_change_stage_mmhg": None,
    }  # fmt: skip
    return ShownReading(**usual | more)


VIEW = LiveView(
    test_id="P-07-20260314-0930",
    participant="P-07",
    at_s=640.0,
    state="running",
    stage=StageInForce(1, RIDDEN, 600.0, 780.0),
    next_stage=NEXT,
    prompts=(PromptShown(prompt()),),
    watched=Watched(
        as_of=HERE + timedelta(seconds=639),
        watts=Logged(52.4, 1.0, "bike"),
        cadence_rpm=Logged(60.0, 1.0, "bike"),
        heart_rate_bpm=Logged(112.0, 0.0, "belt"),
        heart_rate_30s_bpm=111.0,
        differs=False,
    ),
)
OPEN = (PromptShown(prompt(), due_seq=20),)


def lines(
    view: LiveView, now_s: float, typing: Typing = NOTHING, size: tuple[int, int] = (80, 24)
) -> list[Line]:
    return screen(view, now_s, typing, WALL, CAUTION, *size)


def shown(view: LiveView, now_s: float, typing: Typing = NOTHING, size: tuple[int, int] = (80, 24)) -> str:
    return "\n".join(line.text.rstrip() for line in lines(view, now_s, typing, size))


def has_blocks(text: str, number: str) -> bool:
    """Whether all five rows of `number` in blocks stand on the screen, under each other."""
    rows = text.split("\n")
    blocks = [row.rstrip() for row in block_digits(number)]
    return any(
        all(block in row for block, row in zip(blocks, rows[start : start + 5], strict=False))
        for start in range(len(rows) - 4)
    )


def test_waiting_for_a_reading() -> None:
    text = shown(VIEW, 640)
    assert text.startswith(" P-07-20260314-0930")
    # 640 s after 09:30:00
    assert "09:40:40   10:40" in text
    # 780 - 640 s
    assert "stage 2: 50 W   2:20 left   then 75 W" in text
    # as of 639 s, then 1 s old
    assert "load 52 W 2 s ago   heart rate 112 bpm 1 s ago   60 rpm" in text
    assert "\nWAIT\n" in text
    # pump at 696 s, in 56 s; to 190
    assert has_blocks(text, "0:56")
    assert has_blocks(text, "190")
    assert "pump in" in text
    assert "pump to mmHg" in text
    assert "stand by at 09:41:16, pump at 09:41:36" in text
    assert "Records and computes; it does not diagnose or decide." in text


def test_standing_by_taking_and_entering() -> None:
    view = replace(VIEW, prompts=OPEN)
    text = shown(view, 690)
    assert " STAND BY, arm and stethoscope" in text
    assert has_blocks(text, "0:06")
    assert "listen down to 50, finish by 09:43:00" in text
    text = shown(view, 700)
    assert " PUMP TO 190, then enter it" in text
    assert has_blocks(text, "1:20")  # until 780 s
    assert "finish within" in text
    text = shown(view, 800)
    assert " ENTER THE READING" in text
    # 120 s after its window closed it is missed: at 900 s
    assert has_blocks(text, "1:40")
    assert "counted as missed in" in text


def test_the_first_reading_has_no_number_but_the_pulse() -> None:
    view = replace(VIEW, prompts=(PromptShown(prompt(inflate_to=None), due_seq=20),))
    for now_s in (690.0, 700.0):
        text = shown(view, now_s)
        assert "feel the pulse go while pumping, note it (p140)" in text
        assert "pump to mmHg" not in text
    assert "PUMP, FEEL THE PULSE, then enter it" in shown(view, 700)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"above_dial": True, "inflate_to": 300.0}, "pump to, ABOVE THE DIAL"),
        ({"fits": "systolic"}, "systolic only: the first sound is enough"),
        ({"arm": "left"}, "STAND BY, LEFT ARM"),
        ({"aims_at": "repeat"}, "STAND BY, REPEAT, arm and stethoscope"),
        ({"aims_at": "mark"}, "listen down to 50, first sound at 09:42:02"),  # 722 s
    ],
)
def test_what_is_special_about_a_reading(more: dict[str, Any], words: str) -> None:
    assert words in shown(replace(VIEW, prompts=(PromptShown(prompt(**more), due_seq=20),)), 690)


def test_an_entry_that_is_still_to_come_does_not_hide_the_next_reading() -> None:
    late = PromptShown(
        prompt(key="0:end", stage_index=0, stand_by=500.0, cuff_up=520.0, window_closes=600.0), 12
    )
    view = replace(VIEW, prompts=(late, *OPEN))
    assert "ENTER THE READING" in shown(view, 640)
    assert "after that: pump at 09:41:36, to 190" in shown(view, 640)
    text = shown(view, 690)
    assert "STAND BY" in text
    assert "STILL TO ENTER: the reading of 09:38:40, or why it is missed" in text


def test_the_load_to_set_and_the_exertion_to_ask() -> None:
    assert "SET 50 W" in shown(VIEW, 610)  # in the first 30 s of the stage
    assert "SET 50 W" not in shown(VIEW, 640)
    view = replace(VIEW, prompts=OPEN, rpe_scale="6-20")
    # two people: 15 s before 780 s
    assert "ASK EXERTION" not in shown(view, 764)
    assert "ASK EXERTION (6-20)" in shown(view, 766)
    assert "ASK EXERTION" not in shown(replace(view, rated_s=765.5), 766)
    # one person: 20 s before 676 s
    assert "ASK EXERTION (6-20)" in shown(replace(view, people=1), 657)
    at_rest = RIDDEN.model_copy(update={"phase": "rest"})
    assert "ASK EXERTION" not in shown(replace(view, stage=StageInForce(1, at_rest, 600.0, 780.0)), 766)


def test_the_last_readings_stand_with_their_changes() -> None:
    taken = (
        reading(),
        reading(500, stage_label="50 W", k1_mmhg=148.0, dbp_mmhg=82.0, watts=51.2, rpe=11.0,
                sbp_change_rest_mmhg=26.0, sbp_change_stage_mmhg=26.0),
        reading(520, status="missed", k1_mmhg=None, dbp_mmhg=None, dbp_phase=None, used=False),
        reading(540, k1_at_least=True, k1_mmhg=200.0, used=False, used_note="lower_bound"),
    )  # fmt: skip
    text = shown(replace(VIEW, readings=taken), 640)
    below = text[text.index("time      stage") :].split("\n")
    start = ["09:39:00", "seated", "rest", ">200/78", "K5", "-", "71", "-"]
    assert below[1].split() == [*start, "lower", "bound"]
    assert below[2].split()[:4] == ["09:38:40", "seated", "rest", "missed"]
    assert below[3].split() == ["09:38:20", "50", "W", "148/82", "K5", "51", "71", "11", "+26", "+26"]


def test_flags_are_said_in_words_with_their_level() -> None:
    caution = FlagShown("symptom", "caution", 7, 620.0, False, flag())
    found = flag("stop", "systolic_high", "systolic outside the cited limit", quantity="k1", observed=252.0,
                 operator=">", threshold=250.0, unit="mmHg", detail="look_again")  # fmt: skip
    stop = FlagShown("systolic_high", "stop", 9, 630.0, False, found)
    said = lines(replace(VIEW, flags=(stop, caution)), 640)
    # stop-level ones on top until they are acknowledged
    assert said[1].text == "STOP 09:40:30 systolic outside the cited limit; 252 mmHg (limit > 250); look"
    assert said[1].style == said[2].style == "alarm"
    assert said[2].text.endswith("again (seen: ack)")
    below = [line.text for line in said[3:]]
    assert "CAUTION 09:40:20 dizziness: ask" in below
    seen = lines(replace(VIEW, flags=(caution, replace(stop, acknowledged=True))), 640)
    assert [line for line in seen if line.style == "alarm"] == []
    assert any(line.text.startswith("STOP 09:40:30") and line.style == "dim" for line in seen)
    gone = shown(replace(VIEW, flags=(replace(stop, flag=None),)), 640)
    assert "STOP 09:40:30 systolic high: was outside, no longer is (seen: ack)" in gone


def test_trouble_stands_on_top_and_leaves_room_for_what_to_do() -> None:
    trouble = (
        "bike: the device does not answer",
        "the disk is full: entries wait in memory",
        *["more of it"] * 9,
    )
    said = lines(replace(VIEW, trouble=trouble), 640)
    assert said[1] == Line("TROUBLE bike: the device does not answer", "alarm")
    assert said[2] == Line("TROUBLE the disk is full: entries wait in memory", "alarm")
    assert said[6].text == "and 6 more lines of this"  # 11 lines, of which a quarter of 24 fit
    assert any(line.text == "WAIT" for line in said)


def test_what_is_typed_marked_and_answered() -> None:
    heard = Heard(HERE + timedelta(seconds=680), HERE + timedelta(seconds=698.5))
    said = lines(VIEW, 700, Typing("148/8", heard, "148/82 kept 09:41:20 (12)", "good"))
    assert said[-4] == Line("148/82 kept 09:41:20 (12)", "good")
    assert said[-3].text == "> 148/8_".ljust(80 - 35) + "first sound 09:41:20, last 09:41:38"
    long = lines(VIEW, 700, Typing("note " + "x" * 200, heard))[-3].text
    assert len(long) == 80
    assert long.endswith("first sound 09:41:20, last 09:41:38")


def test_other_states() -> None:
    waiting = replace(VIEW, state="waiting", stage=None, prompts=(), watched=None)
    text = shown(waiting, 5)
    assert "NOT BEGUN" in text
    assert "begin starts 75 W" in text
    assert "load - W   heart rate - bpm" in text
    assert "no protocol: enter readings as they are taken" in shown(replace(waiting, next_stage=None), 5)
    assert "CLOSED" in shown(replace(VIEW, state="closed"), 700)
    idle = shown(replace(VIEW, prompts=()), 700)
    assert "NO READING NOW" in idle
    assert has_blocks(idle, "1:20")
    short = shown(replace(VIEW, prompts=(), no_room=True), 700)
    assert "NO ROOM FOR A READING" in short
    assert "hold 30 makes it longer" in short
    assert "over by 0:05" in shown(VIEW, 785)
    open_end = replace(VIEW, stage=StageInForce(1, RIDDEN, 600.0), prompts=(), backed_off=True)
    assert "stage 2: 50 W   1:40 so far, open   load taken back" in shown(open_end, 700)
    assert "stopped: leg fatigue" in shown(replace(VIEW, stopped="leg_fatigue"), 700)
    ramp = RIDDEN.model_copy(update={"label": "ramp", "target_watts_to": 140.0})
    # half of 180 s from 50 to 140 W
    assert "ramp   target 95 W" in shown(replace(VIEW, stage=StageInForce(1, ramp, 600.0, 780.0)), 690)


FULL = replace(
    VIEW,
    prompts=OPEN,
    readings=tuple(reading(300 + number) for number in range(30)),
    flags=tuple(FlagShown("symptom", "caution", number, 620.0, False, flag()) for number in range(12)),
    trouble=("bike: the device does not answer " * 4,),
)


@pytest.mark.parametrize("size", [(80, 24), (60, 16), (60, 24), (200, 60), (132, 43), (40, 12), (20, 5)])
@pytest.mark.parametrize("view", [VIEW, FULL], ids=["calm", "full"])
@pytest.mark.parametrize("now_s", [640.0, 690.0, 700.0, 800.0])
def test_it_fits_whatever_the_size(view: LiveView, now_s: float, size: tuple[int, int]) -> None:
    for typing in (Typing(), Typing("148/82", Heard(HERE), "no " * 200, "bad", ("how to type " * 20,) * 30)):
        said = lines(view, now_s, typing, size)
        assert len(said) == size[1]
        assert max(len(line.text) for line in said) <= size[0]
        assert any(line.text.startswith("> 148/82_" if typing.text else "> _") for line in said)
    text = shown(view, now_s, size=size)
    if size >= (60, 16):
        expected = {640.0: "WAIT", 690.0: "STAND BY", 700.0: "PUMP TO 190", 800.0: "ENTER THE READING"}[now_s]
        assert expected in text
        assert "Records and computes" in text or CAUTION.split(";")[0] in text


def test_a_larger_terminal_shows_larger_numbers_and_a_smaller_one_smaller() -> None:
    huge = block_digits("0:56", "huge")
    assert len(huge) == 10
    assert huge[0].rstrip() in shown(VIEW, 640, size=(130, 42))
    assert CAUTION.split(". ")[1][:40] in shown(VIEW, 640, size=(200, 60))
    # two lines of answer do not make the numbers jump
    assert has_blocks(shown(VIEW, 640, Typing(said="no " * 40)), "0:56")
    low = block_digits("0:56", "low")
    assert len(low) == 3
    assert low[0].rstrip() in shown(VIEW, 640, size=(60, 16))


def test_numbers_in_blocks() -> None:
    assert block_digits("14", "tall") == [
        "    ██  ██  ██",
        "    ██  ██  ██",
        "    ██  ██████",
        "    ██      ██",
        "    ██      ██",
    ]
    assert block_digits("2:0", "low") == ["▀▀█ ▄ █▀█", "█▀▀ ▄ █ █", "▀▀▀   ▀▀▀"]
