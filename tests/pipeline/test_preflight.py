"""What is looked at before a test, on facts that are written down; windows against a hand calculation."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.archive import Archive
from pipeline.clock import ClockStep, PipelineClock, ReplayClock
from pipeline.events import LineRejected, Sample, SourceLost, SourceOpened, TestOpened
from pipeline.finding import Finding
from pipeline.foresight import foresee
from pipeline.listening import Heard, heard, listen
from pipeline.machine import Machine, this_machine
from pipeline.preflight import planned_s, preflight, wanted_bytes
from pipeline.protocol import parse_protocol
from pipeline.rules import shipped_rules
from pipeline.windows import room_findings, whole_after_s, window_cells, window_rows

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
PROTOCOL: dict[str, Any] = {
    "stage": [{"phase": "rest", "minutes": 8}, {"phase": "recovery", "minutes": 3}],
    "repeat": [{"start": 50, "step": 50, "minutes": 3, "until": 100}],
}
BIKE = Heard(
    "bike",
    "/dev/ttyUSB0",
    live=True,
    samples=10,
    measures=("watts", "heart_rate_bpm"),
    promised=("watts", "heart_rate_bpm"),
    rate_hz=1.0,
    own_clock_behind_s=0.0,
    sample_bytes=170,
)
SET = {
    "visit": 1,
    "purpose": "study",
    "intent": "submaximal",
    "observer": "AB-1",
    "ergometer_posture": "upright",
    "rpe_scale": "6-20",
    "age_years": 40.0,
    "sex": "female",
    "height_cm": 170.0,
    "mass_kg": 70.0,
    "arm_circumference_cm": 30.0,
    "medication": "none",
    "pacemaker": False,
    "bladder_length_cm": 30.0,
    "bladder_width_cm": 16.0,
    "gauge_step_mmhg": 2.0,
    "gauge_checked_on": date(2026, 1, 10),
    "people": 2,
    "limits": {"heart_rate_bpm": 160.0},
}


def opened(**fields: Any) -> TestOpened:
    given = {
        "event_time": NOW,
        "source": "setup",
        "mode": "live",
        "anchor": NOW,
        "test_id": "T",
        "study": "S",
        "participant": "P-01",
        "protocol": parse_protocol(PROTOCOL, "test"),
        "rules_digest": "0" * 16,
        "software": "test",
    }
    return TestOpened(**given | SET | fields)


def machine(**fields: Any) -> Machine:
    given: dict[str, Any] = {
        "wall": NOW,
        "offset": timedelta(hours=1),
        "today": NOW.date(),
        "installed_at": NOW - timedelta(days=100),
        "steps": (),
        "free_bytes": 10**9,
    }
    return Machine(**given | fields)


def found(
    level: str, *sources: Heard, at: Machine | None = None, started: datetime | None = None, **fields: Any
) -> list[str]:
    """The findings of one level as `about: words`."""
    flight = preflight(opened(**fields), started, shipped_rules(), sources or (BIKE,), at or machine())
    return [f"{one.about}: {one.words}" for one in flight.findings if one.level == level]


def one(level: str, words: str, *sources: Heard, **more: Any) -> None:
    """One finding of this level holds these words."""
    assert len([text for text in found(level, *sources, **more) if words in text]) == 1, found(
        level, *sources, **more
    )


def test_all_is_well() -> None:
    flight = preflight(opened(), None, shipped_rules(), [BIKE], machine())
    assert flight.to_mend == 0
    assert {finding.level for finding in flight.findings} == {"good"}
    problem = Finding("mend", "rules", "cannot be read")
    assert preflight(opened(), None, shipped_rules(), [BIKE], machine(), [problem]).findings[0] == problem


def test_windows_are_those_of_a_hand_calculation() -> None:
    rows = window_rows(foresee(parse_protocol(PROTOCOL, "test").stages))
    # rest: wait 300 s; the pulse is felt for 60 s, planned with 160 mmHg: t1 = 60 + 160/30 + (160-130)/3
    # = 75.333; t2 = (130-70)/3 = 20; tail = (70-50)/3 + 3 = 9.667; s = 15 + 0.2 * 95.333 = 34.067
    assert rows[0] == {
        "stage_index": 0,
        "stage_label": "rest",
        "phase": "rest",
        "started_s": 0.0,
        "planned_s": 480.0,
        "target_watts": None,
        "target_watts_to": None,
        "aims_at": "rest",
        "arm": None,
        "cuff_up_s": 300.0,
        "first_sound_due_s": 375.333,
        "window_closes_s": 429.4,
        "inflate_to_mmhg": None,
        "listen_to_mmhg": 50.0,
        "expected_sbp_mmhg": 130.0,
        "reading_s": 105.0,
        "fits": "whole",
    }
    # released at 405, 60 s later; max(130 + 30, 150) = 160: t1 = 160/30 + 30/3 = 15.333; s = 22.067;
    # closes at 465 + 15.333 + 20 + 22.067 = 522.4; takes 15.333 + 20 + 9.667 = 45
    second = rows[1]
    assert (second["cuff_up_s"], second["first_sound_due_s"], second["window_closes_s"]) == (
        465.0,
        480.333,
        522.4,
    )
    assert (second["inflate_to_mmhg"], second["reading_s"]) == (160.0, 45.0)
    # the stage waits until the cuff is empty: 465 + 45 = 510.  50 W to 690 s: E = 130 + 0.4 * 50 = 150,
    # up to 200 (floor): t1 = 200/30 + 50/2.5 = 26.667; t2 = 80/2.5 = 32; tail = 20/2.5 + 3 = 11;
    # s = 15 + 0.2 * 58.667 = 26.733; up at 690 - 85.4 = 604.6
    third = rows[2]
    assert (third["started_s"], third["cuff_up_s"], third["first_sound_due_s"]) == (510.0, 604.6, 631.267)
    assert (third["inflate_to_mmhg"], third["listen_to_mmhg"], third["reading_s"]) == (200.0, 50.0, 69.7)
    # 100 W to 870 s: E = 150 + 0.4 * 50 = 170, up to 210: t1 = 7 + 16 = 23; t2 = 40; s = 27.6
    fourth = rows[3]
    assert (fourth["cuff_up_s"], fourth["first_sound_due_s"], fourth["expected_sbp_mmhg"]) == (
        779.4,
        802.4,
        170.0,
    )
    cells = window_cells(rows)
    assert [cell["stage"] for cell in cells] == ["rest", "", "50 W", "100 W", "recovery", ""]
    assert (cells[0]["inflate"], cells[2]["cuff"], cells[2]["takes"], cells[2]["fits"]) == (
        "feel",
        "10:05",
        "70",
        "whole",
    )


def test_stages_that_are_too_short_are_named_with_what_would_help() -> None:
    short = {**PROTOCOL, "repeat": [{"start": 50, "step": 50, "minutes": 1, "until": 100}]}
    seen = foresee(parse_protocol(short, "test").stages)
    lost = next(prompt for prompt in seen.prompts if prompt.fits == "no")
    # 50 W begins when the cuff is empty: 30 s, then t1 + t2 + s = 26.667 + 32 + 26.733
    assert whole_after_s(seen, lost) == pytest.approx(30 + 85.4)
    # 100 W: E is 130 + 0.4 * 100 = 170, up to 210: 23 + 40 + 27.6 = 90.6; with 30 s before 120.6, so 125 s
    [finding] = [one for one in room_findings(seen) if one.level == "mend"]
    assert finding.words == (
        "no room for a reading in stages 2 (50 W), 3 (100 W); a whole one wants stages of 2:05. Ask every "
        'second stage (reading = "none" in the others), make the stages longer, or hold each by 65 s when '
        "its reading is due"
    )


def test_a_stage_with_room_for_the_systolic_only_is_said() -> None:
    # 105 s: 30 s, then 26.667 + 26.733 + 10 s to the end fit into 75 s, all 85.4 s do not
    short = {**PROTOCOL, "repeat": [{"start": 50, "step": 50, "minutes": 1.75, "until": 50}]}
    [finding] = [
        one for one in room_findings(foresee(parse_protocol(short, "test").stages)) if one.level == "look"
    ]
    assert finding.words.startswith(
        "room for the systolic only in stage 2 (50 W); a whole one wants stages of 2:00"
    )


def test_marks_without_room_and_pressures_above_the_dial_are_said() -> None:
    close = {
        **PROTOCOL,
        "stage": [PROTOCOL["stage"][0], {"phase": "recovery", "minutes": 3, "reading_at_s": [60, 90]}],
    }
    one(
        "mend",
        "the cuff is not free for 1 mark of stage 4 (recovery)",
        protocol=parse_protocol(close, "test"),
    )
    late = {
        **PROTOCOL,
        "stage": [*PROTOCOL["stage"]],
        "repeat": [PROTOCOL["repeat"][0] | {"reading_at_s": [60]}],
    }
    # the last reading is at 60 of 180 s: over 90 s before the end of load
    one("look", "takes the place of 1 mark", protocol=parse_protocol(late, "test"))
    # 130 + 0.4 * 350 = 270 mmHg at 350 W, and 270 + 40 is above 300
    high = {**PROTOCOL, "repeat": [{"start": 350, "step": 50, "minutes": 5, "until": 350}]}
    one(
        "look",
        "270 mmHg is expected, and 300 mmHg, the top of the dial",
        protocol=parse_protocol(high, "test"),
    )


def test_sources_are_judged_by_what_came() -> None:
    quiet = Heard("belt", "COM3", live=True, promised=("heart_rate_bpm",))
    one("mend", "source belt: nothing came; switch the device on", BIKE, quiet)
    one(
        "mend",
        "source belt: port 'COM3' is not there",
        BIKE,
        Heard("belt", "COM3", True, problem="port 'COM3' is not there"),
    )
    odd = Heard("belt", "COM3", live=True, rejected=4, first_reason="no number")
    one(
        "mend",
        "4 lines came and none can be read, the first because: no number; correct its format",
        BIKE,
        odd,
    )
    lost = Heard("belt", "COM3", live=True, samples=3, lost="port 'COM3' was lost", rate_hz=1.0)
    one("mend", "source belt: port 'COM3' was lost", BIKE, lost)
    some = Heard("belt", "COM3", live=True, samples=19, rejected=1, first_reason="cut", rate_hz=1.0)
    one("look", "1 of 20 lines cannot be read, the first because: cut", BIKE, some)
    many = Heard("belt", "COM3", live=True, samples=8, rejected=2, first_reason="cut", rate_hz=1.0)
    one("mend", "2 of 10 lines cannot be read", BIKE, many)
    slow = Heard("belt", "COM3", live=True, samples=2, rate_hz=0.05)
    one("mend", "a line every 20 s; over 15 s readings lack load or heart rate", BIKE, slow)
    one(
        "look",
        "no source gives watts",
        Heard("belt", "COM3", True, samples=9, measures=("heart_rate_bpm",), rate_hz=1.0),
    )
    half = Heard(
        "x", "COM3", True, samples=9, measures=("watts",), promised=("watts", "heart_rate_bpm"), rate_hz=1.0
    )
    one("look", "heart_rate_bpm did not come, though its format has it", half)


def test_clocks_are_compared() -> None:
    one(
        "mend",
        "before this program came to the machine (2026-03-15)",
        at=machine(installed_at=NOW + timedelta(days=1)),
    )
    one("mend", "the wall clock moved by -2.5 s while listening", at=machine(steps=[ClockStep("wall", -2.5)]))
    one("mend", "the machine slept for 3 s", at=machine(steps=[ClockStep("suspend", 3.0)]))
    # in March Berlin is at +01:00, as this machine is; New York, on summer time since 8 March, at -04:00
    assert not found("mend", timezone="Europe/Berlin")
    one(
        "mend",
        "the machine is at UTC+01:00, America/New_York of the setup at UTC-04:00",
        timezone="America/New_York",
    )
    one("look", "is not today; take it out for a live test", started=NOW - timedelta(days=3))
    behind = Heard("log", "COM4", True, samples=5, measures=("watts",), rate_hz=1.0, own_clock_behind_s=12.34)
    one("mend", "its clock is 12.3 s behind ours; write clock_offset_s = 12.3 in [sources.log]", BIKE, behind)
    given = Heard(
        "log", "COM4", True, 5, measures=("watts",), rate_hz=1.0, own_clock_behind_s=-9.0, clock_offset_s=12.0
    )
    one("mend", "its clock is 9.0 s ahead of ours; write clock_offset_s = -9.0 instead of 12", BIKE, given)


def test_the_archive_has_to_take_the_test_and_have_room() -> None:
    # one line a second of 170 + 30 bytes for 1050 s, three times
    assert wanted_bytes([BIKE], 1050) == 3 * 1050 * 200
    # rest until the cuff is empty at 510 s, 2 * 180 s, 180 s of recovery
    assert planned_s(foresee(parse_protocol(PROTOCOL, "test").stages)) == 1050
    one("good", "0.6 MB wanted for 17:30, 1000 MB free")
    one("mend", "free some, or name another folder with --archive", at=machine(free_bytes=600_000))
    one("mend", "the archive: is there already", at=machine(refused="is there already"))
    one("look", "nobody is told when to pump", protocol=None)
    # an hour's rate is not known: two hours at 1 Hz of 250 + 30 bytes
    unheard = Heard("bike", "COM1", True, problem="port 'COM1' is not there")
    one("good", "6.0 MB wanted for 120:00", unheard, protocol=None, limits=None)


def test_the_machine_says_why_an_archive_cannot_be_used(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "archive")
    free = this_machine(PipelineClock(), archive, "S", "T")
    assert (free.refused, (tmp_path / "archive").exists()) == (None, False)
    assert free.free_bytes > 0
    folder = archive.create("S", "T")
    folder.journal.write_text("{}")
    assert "is there already and an existing test is never overwritten" in str(
        this_machine(PipelineClock(), archive, "S", "T").refused
    )
    file = tmp_path / "file"
    file.write_text("")
    assert "is no folder; name the archive with --archive" in str(
        this_machine(PipelineClock(), Archive(file), "S", "T").refused
    )


def test_an_archive_without_the_right_to_write_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.access", lambda path, mode: False)
    refused = str(this_machine(PipelineClock(), Archive(tmp_path), "S", "T").refused)
    assert (
        refused == f"{tmp_path}: cannot be written; check its rights, or name another folder with --archive"
    )


def test_cuff_and_dial_are_held_against_the_rules() -> None:
    one("good", "the adult cuff, bladder 16 x 30 cm, as AHA 2005 has it for 30 cm")
    # 22 of 30 cm is 73 %; 24 of 30 is 80 %, 11 of 30 is 37 %; 33 of 30 is 110 %
    one("mend", "bladder 12 x 22 cm on an arm of 30 cm, 73 %", bladder_length_cm=22.0, bladder_width_cm=12.0)
    one("mend", "bladder 11 x 24 cm on an arm of 30 cm, 37 %", bladder_length_cm=24.0, bladder_width_cm=11.0)
    one("mend", "bladder 14 x 33 cm on an arm of 30 cm, 110 %", bladder_length_cm=33.0, bladder_width_cm=14.0)
    one(
        "good",
        "bladder 12 x 24 cm on an arm of 30 cm; for 30 cm",
        bladder_length_cm=24.0,
        bladder_width_cm=12.0,
    )
    one("look", "write the bladder in [cuff]", bladder_length_cm=None, bladder_width_cm=None)
    one(
        "look",
        "AHA 2005 has no size",
        arm_circumference_cm=60.0,
        bladder_length_cm=None,
        bladder_width_cm=None,
    )
    assert not [text for text in found("good", arm_circumference_cm=None) if text.startswith("the cuff:")]
    one("good", "the dial: checked on 2026-01-10, 63 days ago")
    one("mend", "checked on 2025-03-12, 367 days ago", gauge_checked_on=date(2025, 3, 12))
    assert not found("mend", gauge_checked_on=date(2025, 3, 13))
    one("mend", "a day still to come (today is 2026-03-14)", gauge_checked_on=date(2026, 3, 15))


def test_staff_medication_and_limits_are_said() -> None:
    one("good", "1 person: exertion is asked before the cuff goes up", people=1)
    one("look", "beta-blocker: a predicted maximum heart rate does not hold", medication="beta_blocker")
    one("look", "not known: what rests on a predicted maximum", medication=None)
    one("good", "limits: heart rate 160 bpm")
    one("look", "none of this test's own", limits=None)
    no_belt = Heard("bike", "COM1", True, samples=9, measures=("watts",), rate_hz=1.0)
    one("mend", "heart_rate_bpm: no source gives heart rate, so it is never seen", no_belt)
    percent = {"limits": {"hr_percent_max": 85.0}}
    one("mend", "no maximum is predicted without an age", age_years=None, **percent)
    one("mend", "no maximum is predicted under 18 years", age_years=15.0, **percent)
    one("mend", "no predicted maximum holds with a beta-blocker", medication="beta_blocker", **percent)
    one("look", "not recorded: visit, sex; what rests on them", visit=None, sex=None)


class Plays:
    """A source that gives what it has and then waits."""

    def __init__(self, *events: Any) -> None:
        self.name, self._events = "bike", events

    def run(self, put: Callable[[Any], None], stop: threading.Event, clock: Any) -> None:
        for event in self._events:
            put(event)
        stop.wait()


def test_listening_counts_what_comes() -> None:
    given = {"event_time": NOW, "source": "bike"}
    source = Plays(
        SourceOpened(
            **given, name="bike", adapter="t", measures="watts,heart_rate_bpm:rr", clock_offset_s=1.5
        ),
        Sample(**given, watts=100.0),
        LineRejected(**given, raw="x", reason="no number"),
        SourceLost(**given, reason="gone"),
    )
    clock = PipelineClock()
    said = heard("bike", "COM1", listen([source], 0.05, clock)["bike"], clock, live=True)
    assert (said.samples, said.rejected, said.first_reason, said.lost) == (1, 1, "no number", "gone")
    assert (said.measures, said.promised, said.clock_offset_s) == (
        ("watts",),
        ("watts", "heart_rate_bpm"),
        1.5,
    )
    assert said.rate_hz is None


def test_the_rate_of_a_port_is_that_of_arrival_and_of_a_log_that_of_its_times() -> None:
    def sample(at_s: float) -> Sample:
        return Sample(event_time=NOW + timedelta(seconds=at_s), source="bike", watts=100.0)

    clock = ReplayClock(NOW)
    # three lines in 4 s; the device's own clock is 7 s behind
    port = heard("bike", "COM1", [(10.0, sample(3)), (12.0, sample(5)), (14.0, sample(7))], clock, live=True)
    assert (port.rate_hz, port.own_clock_behind_s) == (0.5, 7.0)
    log = heard("bike", "bike.csv", [(0.0, sample(3)), (0.0, sample(4))], clock, live=False)
    assert (log.rate_hz, log.own_clock_behind_s) == (1.0, None)
