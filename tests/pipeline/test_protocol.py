"""Protocols as a person writes them, and the stages they give."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.protocol import Limits, Protocol, Stage, first_problem, parse_limits, parse_protocol


def parse(text: str) -> Protocol:
    return parse_protocol(tomllib.loads(text), "p.toml")


def stage(keys: str) -> Stage:
    return parse(f"[[stage]]\n{keys}").stages[0]


EXERCISE = 'phase = "exercise"\nminutes = 3\nwatts = 50\n'
RECOVERY = 'phase = "recovery"\n'
USUAL = """
name = "invented staircase"
stage_end = "after_reading"
hold_max_s = 20

[[stage]]
phase = "rest"
minutes = 8

[[stage]]
phase = "warmup"
minutes = 2

[[stage]]
phase = "recovery"
minutes = 6

[[repeat]]
start = 50
step = 25
minutes = 3
until = 125
"""


def test_a_usual_protocol_gives_its_stages_in_order():
    protocol = parse(USUAL)
    assert protocol.name == "invented staircase"
    assert (protocol.stage_from, protocol.stage_end, protocol.hold_max_s) == ("schedule", "after_reading", 20)
    # by hand: rest and warm-up as written, 50 to 125 W in steps of 25, then recovery
    rows = [(s.label, s.phase, s.position, s.planned_s, s.target_watts, s.reading) for s in protocol.stages]
    assert rows == [
        ("rest", "rest", "seated", 480, None, "timed"),
        ("warmup", "warmup", "ergometer", 120, 0, "end"),
        ("50 W", "exercise", "ergometer", 180, 50, "end"),
        ("75 W", "exercise", "ergometer", 180, 75, "end"),
        ("100 W", "exercise", "ergometer", 180, 100, "end"),
        ("125 W", "exercise", "ergometer", 180, 125, "end"),
        ("recovery", "recovery", "ergometer", 360, None, "marks"),
    ]


def test_what_is_not_said_has_its_default():
    rest = stage('phase = "rest"')
    assert (rest.readings, rest.wait_s, rest.apart_s, rest.arms) == (2, 300, 60, "one")
    assert (rest.planned_s, rest.loaded) == (None, False)
    protocol = parse(f"[[stage]]\n{EXERCISE}")
    assert (protocol.name, protocol.stage_end, protocol.hold_max_s) == ("", "time", 30)
    assert protocol.stages[0].loaded


def test_what_is_said_holds():
    rest = stage(
        'phase = "rest"\nlabel = "supine rest"\nposition = "supine"\nminutes = 10\nreadings = 3\n'
        'wait_s = 240\napart_s = 90\narms = "both"'
    )
    assert rest == Stage(
        label="supine rest",
        phase="rest",
        position="supine",
        planned_s=600.0,
        reading="timed",
        readings=3,
        wait_s=240.0,
        apart_s=90.0,
        arms="both",
    )


@pytest.mark.parametrize(
    ("keys", "reading", "marks"),
    [
        (EXERCISE, "end", ()),
        (EXERCISE + 'reading = "none"', "none", ()),
        (EXERCISE + "reading_at_s = [60, 150]", "marks", (60, 150)),
        ('phase = "rest"\nreading = "none"', "none", ()),
        ('phase = "rest"\nreading_at_s = [30]', "marks", (30,)),
        (RECOVERY + 'minutes = 3\nreading = "end"', "end", ()),
        (RECOVERY + 'minutes = 3\nreading = "none"', "none", ()),
        (RECOVERY + "minutes = 5\nreading_at_s = [45, 90]", "marks", (45, 90)),
    ],
)
def test_when_a_stage_is_read(keys, reading, marks):
    made = stage(keys)
    assert (made.reading, made.reading_at_s) == (reading, marks)


@pytest.mark.parametrize(
    ("minutes", "marks"),
    [
        # 1, 3 and 5 min, then every 2, as far as the stage lasts
        ("", (60, 180, 300)),
        ("minutes = 0.5", ()),
        ("minutes = 1", (60,)),
        ("minutes = 2.9", (60,)),
        ("minutes = 3", (60, 180)),
        ("minutes = 5", (60, 180, 300)),
        ("minutes = 6.9", (60, 180, 300)),
        ("minutes = 7", (60, 180, 300, 420)),
        ("minutes = 10", (60, 180, 300, 420, 540)),
    ],
)
def test_the_marks_of_recovery(minutes, marks):
    assert stage(RECOVERY + minutes).reading_at_s == marks


def test_a_ramp_is_linear_and_held_at_its_ends():
    ramp = stage('phase = "exercise"\nminutes = 10\nwatts_from = 20\nwatts_to = 220')
    assert ramp.label == "20 to 220 W"
    # 200 W in 600 s: a third of a watt a second
    assert [ramp.target_at(t) for t in (-5, 0, 300, 600, 700)] == [20, 20, 120, 220, 220]
    assert stage(EXERCISE).target_at(100) == 50
    assert stage('phase = "rest"').target_at(100) is None


@pytest.mark.parametrize(
    ("start", "step", "until", "loads"),
    [
        (50, 25, 125, [50, 75, 100, 125]),
        (50, 25, 124, [50, 75, 100]),
        (50, 25, 50, [50]),
        (0, 30, 60, [0, 30, 60]),
        (0.1, 0.1, 0.3, [0.1, 0.2, 0.3]),  # 0.2 / 0.1 is under 2 in binary
    ],
)
def test_a_staircase(start, step, until, loads):
    made = parse(f"[[repeat]]\nstart = {start}\nstep = {step}\nminutes = 2\nuntil = {until}")
    assert [s.target_watts for s in made.stages] == pytest.approx(loads)
    assert {s.planned_s for s in made.stages} == {120}


def test_a_staircase_says_when_it_is_read():
    keys = "[[repeat]]\nstart = 50\nstep = 50\nminutes = 3\nuntil = 100\n"
    assert {s.reading for s in parse(keys + 'reading = "none"').stages} == {"none"}
    assert {s.reading_at_s for s in parse(keys + "reading_at_s = [120]").stages} == {(120,)}


@given(st.integers(0, 100), st.integers(1, 50), st.integers(1, 30))
def test_a_staircase_never_passes_its_end(start, step, count):
    until = start + step * count
    text = f"[[repeat]]\nstart = {start}\nstep = {step}\nminutes = 1\nuntil = {until}"
    loads = [s.target_watts for s in parse(text).stages]
    assert loads == [start + step * n for n in range(count + 1)]


def test_stages_after_the_first_recovery_stay_after_it():
    text = f"[[stage]]\n{RECOVERY}minutes = 1\n[[stage]]\n{EXERCISE}[[repeat]]\nstart = 25\nstep = 25\n"
    made = parse(text + "minutes = 1\nuntil = 25")
    assert [s.label for s in made.stages] == ["25 W", "recovery", "50 W"]


ERRORS = {
    "unknown key of the file": (
        f'colour = "red"\n[[stage]]\n{EXERCISE}',
        "p.toml: unknown key 'colour'; "
        "known are hold_max_s, limits, name, repeat, stage, stage_end, stage_from",
    ),
    "nothing": ("", "p.toml: no [[stage]] and no [[repeat]]; write at least one stage"),
    "a table in place of a list": (
        f"[stage]\n{EXERCISE}",
        "p.toml: stage must be written as [[stage]], one table each",
    ),
    "a list of something else": (
        "repeat = [1, 2]",
        "p.toml: repeat must be written as [[repeat]], one table each",
    ),
    "a missing key": ("[[stage]]\nwatts = 50", "p.toml: stage 1: phase is missing; write it"),
    "a missing key of a repeat": (
        "[[repeat]]\nstep = 25\nminutes = 3\nuntil = 100",
        "p.toml: repeat 1: start is missing; write it",
    ),
    "an unknown key of a stage": (
        f'[[stage]]\n{EXERCISE}[[stage]]\n{EXERCISE}colour = "red"',
        "p.toml: stage 2: colour = 'red': unknown key",
    ),
    "an unknown word": (
        '[[stage]]\nphase = "ride"',
        "p.toml: stage 1: phase = 'ride': should be 'rest', 'warmup', 'exercise' or 'recovery'",
    ),
    "a negative length": (
        f"[[stage]]\n{EXERCISE.replace('3', '-3')}",
        "p.toml: stage 1: minutes = -3: should be greater than 0",
    ),
    "a word for a number": (
        f"[[stage]]\n{EXERCISE.replace('50', repr('many'))}",
        "p.toml: stage 1: watts = 'many': should be a valid number, unable to parse string as a number",
    ),
    "a mark that is no number": (
        f'[[stage]]\n{EXERCISE}reading_at_s = [60, "late"]',
        "p.toml: stage 1: reading_at_s.1 = 'late': "
        "should be a valid number, unable to parse string as a number",
    ),
    "a long label": (
        f'[[stage]]\n{EXERCISE}label = "{"x" * 41}"',
        f"p.toml: stage 1: label = '{'x' * 41}': string should have at most 40 characters",
    ),
    "a ramp with watts": (
        f"[[stage]]\n{EXERCISE}watts_from = 20\nwatts_to = 100",
        "p.toml: stage 1: a ramp has watts_from and watts_to and no watts",
    ),
    "half a ramp": (
        '[[stage]]\nphase = "exercise"\nminutes = 3\nwatts_to = 100',
        "p.toml: stage 1: a ramp has watts_from and watts_to and no watts",
    ),
    "a ramp without end": (
        '[[stage]]\nphase = "exercise"\nwatts_from = 20\nwatts_to = 100',
        "p.toml: stage 1: a ramp needs minutes",
    ),
    "exercise without a load": (
        '[[stage]]\nphase = "exercise"\nminutes = 3',
        "p.toml: stage 1: an exercise stage needs watts, or watts_from and watts_to",
    ),
    "a staircase that goes nowhere": (
        "[[repeat]]\nstart = 100\nstep = 25\nminutes = 3\nuntil = 50",
        "p.toml: repeat 1: start, step and until must give between 1 and 100 stages",
    ),
    "a staircase without end": (
        "[[repeat]]\nstart = 0\nstep = 1\nminutes = 3\nuntil = 100",
        "p.toml: repeat 1: start, step and until must give between 1 and 100 stages",
    ),
    "an open stage that is not the last": (
        f'[[stage]]\nphase = "rest"\n[[stage]]\n{EXERCISE}',
        "p.toml: stage 'rest' has no minutes; only the last may be open",
    ),
    "a wrong setting": (
        f'stage_end = "later"\n[[stage]]\n{EXERCISE}',
        "p.toml: stage_end = 'later': should be 'time' or 'after_reading'",
    ),
    "a negative hold": (
        f"hold_max_s = -1\n[[stage]]\n{EXERCISE}",
        "p.toml: hold_max_s = -1: should be greater than or equal to 0",
    ),
}


@pytest.mark.parametrize(("text", "words"), ERRORS.values(), ids=ERRORS)
def test_what_is_wrong_is_said_in_the_words_of_the_file(text, words):
    with pytest.raises(InputError) as caught:
        parse(text)
    assert str(caught.value) == words


def test_limits_are_read_and_what_is_wrong_is_named():
    made = parse_limits({"heart_rate_bpm": 150, "sbp_mmhg": 220.0}, "t.toml")
    assert made == Limits(heart_rate_bpm=150.0, sbp_mmhg=220.0)
    assert parse_limits({}, "t.toml") == Limits()
    with pytest.raises(InputError, match=r"^t\.toml: limits: pulse = 150: unknown key$"):
        parse_limits({"pulse": 150}, "t.toml")
    with pytest.raises(InputError, match=r"^t\.toml: limits: rpe = 0: should be greater than 0$"):
        parse_limits({"rpe": 0}, "t.toml")


def test_a_problem_of_the_whole_has_no_key():
    with pytest.raises(ValidationError) as caught:
        Protocol(
            stages=(
                Stage(label="rest", phase="rest", position="seated"),
                Stage(label="more", phase="rest", position="seated"),
            )
        )
    assert first_problem(caught.value) == "stage 'rest' has no minutes; only the last may be open"


@pytest.mark.parametrize("text", [USUAL, f"[[stage]]\n{EXERCISE}reading_at_s = [60.5, 120]"])
def test_a_protocol_comes_back_from_the_journal(text):
    protocol = parse(text)
    assert Protocol.model_validate_json(protocol.model_dump_json()) == protocol
    assert Protocol.model_validate_json(protocol.model_dump_json(exclude_none=True)) == protocol


@given(
    st.lists(
        st.builds(
            Stage,
            label=st.text(min_size=1, max_size=40),
            phase=st.sampled_from(["rest", "warmup", "exercise", "recovery"]),
            position=st.sampled_from(["seated", "supine", "ergometer"]),
            planned_s=st.floats(1, 3600),
            target_watts=st.none() | st.floats(0, 500),
            reading_at_s=st.lists(st.floats(0, 600), max_size=3).map(tuple),
            readings=st.integers(1, 9),
        ),
        min_size=1,
        max_size=6,
    ).map(tuple)
)
def test_any_protocol_comes_back_from_the_journal(stages):
    protocol = Protocol(stages=stages)
    assert Protocol.model_validate_json(protocol.model_dump_json(exclude_none=True)) == protocol
