"""An invented cohort: what it is drawn from, what is written of it, and that sealing finds it again.

Bounds are standard errors computed beside each check, four of them where not said otherwise: what
is drawn is fixed by its number, so a check holds always or never.
"""

from __future__ import annotations

import csv
import math
import statistics
import tomllib
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

import pyarrow.parquet as pq
import pytest
from scipy.stats import binom

from adapters.setup_file import load_setup
from pipeline.archive import Archive, Disk
from pipeline.errors import ArchiveError, UsageError
from pipeline.events import Event, NoteWritten, ReadingDue, ReadingMissed, ReadingTaken
from pipeline.join import join
from pipeline.journal import read_journal
from pipeline.protocol import Protocol, parse_protocol
from pipeline.rules import shipped_rules
from pipeline.seal import seal_all
from pipeline.shipped import shipped
from pipeline.simulate import cohort_archive, inputs
from pipeline.simulate.cohort import Cohort, invented_cohort, order_of
from pipeline.simulate.cohort_archive import write_cohort
from pipeline.simulate.demo import demo_test
from pipeline.simulate.invented import INVENTED
from pipeline.simulate.observers import draw_observer
from pipeline.simulate.people import capacity_watts, draw_person
from pipeline.simulate.stand_in import StandIn
from pipeline.simulate.truth import Participant
from pipeline.verify import verify

TESTS = 50
SHORT = {
    "name": "short",
    "stage": [
        {"label": "rest", "phase": "rest", "position": "ergometer", "minutes": 8, "readings": 2},
        {"phase": "recovery", "minutes": 2, "watts": 0, "reading_at_s": [60]},
    ],
    "repeat": [{"start": 20, "step": 20, "minutes": 2, "until": 100}],
}
SUDDEN = {
    "stage": [
        {"phase": "exercise", "minutes": 3, "watts": 350, "reading_at_s": [90]},
        {"phase": "rest", "position": "ergometer", "minutes": 3, "readings": 1, "wait_s": 30},
        {"phase": "exercise", "minutes": 3, "watts": 50},
    ]
}
Rows = list[dict[str, str]]


def short() -> Protocol:
    return parse_protocol(SHORT, "short")


def truth_of(folder: Path) -> Rows:
    with (folder / "truth.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a short cohort, sealed."""
    folder = tmp_path_factory.mktemp("cohort")
    root = write_cohort(invented_cohort(11, short()), TESTS, folder, processes=1)
    assert [sealed.problem for sealed in seal_all(list(Archive(root).tests()), None)] == [None] * TESTS
    return folder


@pytest.fixture(scope="module")
def summaries(written: Path) -> dict[str, dict[str, Any]]:
    """The sealed summary by test id."""
    folders = Archive(written / "archive").tests()
    return {one.test_id: pq.read_table(one.parquet("summary")).to_pylist()[0] for one in folders}


@pytest.fixture(scope="module")
def entries(written: Path) -> list[Event]:
    """What was entered in all of its tests, and what was not."""
    return [
        event
        for folder in Archive(written / "archive").tests()
        for event in read_journal(folder.journal).events
        if isinstance(event, ReadingTaken | ReadingMissed | NoteWritten)
    ]


def standard_errors(sample: Sequence[float], mean: float, sd: float, kurtosis: float) -> tuple[float, float]:
    """How far mean and sd of a sample lie from those stated, in their standard errors.

    The variance of a sample variance is sd^4 (kurtosis - (n - 3)/(n - 1)) / n, that of its root
    by the delta method.
    """
    n = len(sample)
    of_sd = sd / 2 * math.sqrt((kurtosis - (n - 3) / (n - 1)) / n)
    return (
        (statistics.fmean(sample) - mean) / (sd / math.sqrt(n)),
        (statistics.stdev(sample) - sd) / of_sd,
    )


def test_people_are_drawn_from_what_is_stated():
    people = [draw_person(Random(f"t {n}"), f"P-{n:05d}") for n in range(4000)]
    days = [(person, person.on_visit(Random(f"t {n} 1"), 1)) for n, person in enumerate(people)]
    # Hedman et al. 2021, of a visit
    for sex, mean, sd in (("male", 0.41, 0.15), ("female", 0.52, 0.21)):
        slopes = [day.slope_mmhg_per_w for person, day in days if person.participant.sex == sex]
        # kurtosis of a log-normal: e^4v + 2 e^3v + 3 e^2v - 3, v being the variance of the logarithm
        v = math.log(1 + (sd / mean) ** 2)
        kurtosis = math.exp(4 * v) + 2 * math.exp(3 * v) + 3 * math.exp(2 * v) - 3
        assert all(abs(away) < 4 for away in standard_errors(slopes, mean, sd, kurtosis))
        assert min(slopes) > 0
    rests = [day.sbp_rest_mmhg for _, day in days]
    assert all(abs(away) < 4 for away in standard_errors(rests, 122, 10, 3))
    assert all(abs(away) < 4 for away in standard_errors([p.fitness_sd for p in people], 0, 1, 3))
    women = sum(person.participant.sex == "female" for person in people)
    assert abs(women - 2000) < 4 * math.sqrt(4000 / 4)
    # fit people have flatter slopes: r = -0.6 between standard normals
    log_slopes: list[float] = []
    for person in people:
        mean, sd = {"male": (0.41, 0.15), "female": (0.52, 0.21)}[person.participant.sex]
        variance = math.log(1 + (sd / mean) ** 2) - 0.08**2
        centred = math.log(person.usual.slope_mmhg_per_w / mean) + variance / 2
        log_slopes.append(centred / math.sqrt(variance))
    r = statistics.correlation(log_slopes, [person.fitness_sd for person in people])
    assert abs(r + 0.6) < 4 * (1 - 0.6**2) / math.sqrt(4000)


def test_visits_of_one_person_differ_as_stated():
    rises, steeper = [], []
    for n in range(2000):
        person = draw_person(Random(f"t {n}"), "P-1")
        first, second = (person.on_visit(Random(f"t {n} {visit}"), visit) for visit in (1, 2))
        rises.append(second.sbp_rest_mmhg - first.sbp_rest_mmhg)
        steeper.append(math.log(second.slope_mmhg_per_w / first.slope_mmhg_per_w))
    # two draws of the same sd: their difference has sqrt(2) of it
    assert all(abs(away) < 4 for away in standard_errors(rises, -2, 4 * math.sqrt(2), 3))
    assert all(abs(away) < 4 for away in standard_errors(steeper, 0, 0.08 * math.sqrt(2), 3))


def test_the_capacity_is_that_of_jones():
    # 20.4*175 - 8.74*30 - 1909 = 1398.8 kgm/min, of which 6.1183 are a watt: 228.6 W
    man = Participant("P-1", 30, "male", 175, 75, 30)
    assert capacity_watts(man, 0) == pytest.approx(228.6, abs=0.05)
    assert capacity_watts(man, 1) - capacity_watts(man, 0) == pytest.approx(216 / 6.1183, abs=0.01)
    # 20.4*165 - 8.74*40 - 288 - 1909 = 819.4 kgm/min
    assert capacity_watts(Participant("P-1", 40, "female", 165, 60, 28), 0) == pytest.approx(133.9, abs=0.05)


def test_observers_are_drawn_from_what_is_stated():
    observers = [draw_observer(Random(f"t {n}"), "OBS-1") for n in range(2000)]
    shares = [observer.zero_share for observer in observers]
    assert min(shares) >= 0.22
    assert max(shares) <= 0.536
    # uniform: mean in the middle, sd = width / sqrt(12), kurtosis 1.8
    assert all(abs(away) < 4 for away in standard_errors(shares, 0.378, 0.316 / math.sqrt(12), 1.8))
    assert all(abs(away) < 4 for away in standard_errors([o.bias_mmhg for o in observers], 0, 1.6, 3))


def files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_number_gives_the_same_bytes_however_many_there_are(tmp_path):
    cohort = invented_cohort(4, short())
    write_cohort(cohort, 6, tmp_path / "six", processes=2)
    write_cohort(cohort, 6, tmp_path / "again", processes=1)
    assert files(tmp_path / "six") == files(tmp_path / "again")
    write_cohort(cohort, 3, tmp_path / "three")
    six, three = files(tmp_path / "six"), files(tmp_path / "three")
    truth = three.pop("truth.csv")
    assert len(three) == 3 * 2
    assert three.items() <= six.items()
    assert six["truth.csv"].startswith(truth)
    write_cohort(invented_cohort(5, short()), 3, tmp_path / "other")
    other = files(tmp_path / "other")
    assert not any(other.get(name) == data for name, data in three.items())
    assert truth_of(tmp_path / "other") != truth_of(tmp_path / "three")


JOINED = {
    "loads": lambda: invented_cohort(1).visit(1).test,
    "minutes": lambda: invented_cohort(1).visit(2).test,
    "staircase": lambda: invented_cohort(1).visit(4).test,
    "a fall, a repeat, missed readings": lambda: demo_test("02-fall"),
    "at once a load for few": lambda: invented_cohort(1, parse_protocol(SUDDEN, "sudden")).visit(0).test,
    "sounds to zero, an aligned log": lambda: demo_test("03-sounds-to-zero"),
}


@pytest.mark.parametrize("kind", JOINED)
def test_the_journal_is_the_one_that_the_deriver_gives(kind, tmp_path):
    rules = shipped_rules()
    order = order_of(JOINED[kind](), rules)
    fast = join(order, Archive(tmp_path / "fast"), rules, deriver=StandIn)
    whole = join(order, Archive(tmp_path / "whole"), rules)
    assert fast.journal.read_bytes() == whole.journal.read_bytes()
    aims = {event.aims_at for event in read_journal(fast.journal).events if isinstance(event, ReadingDue)}
    assert ("repeat" in aims) == ("repeat" in kind)


def test_what_is_written_verifies_and_says_that_it_is_invented(written, entries):
    folders = list(Archive(written / "archive").tests())
    assert {finding.level for finding in verify(folders)} == {"fine"}
    assert [event.text for event in entries if isinstance(event, NoteWritten)] == [INVENTED] * TESTS
    assert folders[0].study == "invented"
    assert INVENTED in folders[0].setup.read_text(encoding="utf-8").splitlines()[0]
    assert all(study.name.startswith("invented") for study in invented_cohort(1).studies)


def test_the_setup_beside_a_journal_says_when_stages_began(tmp_path):
    # somebody gave up before the end, so the start of recovery was noted
    visit = next(v for v in map(invented_cohort(3).visit, range(20)) if v.test.end_reason == "exhaustion")
    for name, text in inputs(visit.test).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    setup = load_setup(tmp_path / "test.toml")
    order = order_of(visit.test, shipped_rules())
    assert setup.stage_starts(visit.test.at(0)) == order.starts
    assert visit.test.ridden[-1].stage_index in order.starts
    assert setup.protocol == visit.test.protocol


def test_one_in_five_comes_again_under_the_same_conditions():
    cohort = invented_cohort(9)
    visits = [cohort.visit(index) for index in range(15)]
    again = [visit for visit in visits if visit.test.choices.visit == 2]
    assert len(again) == 3
    assert {visit.test.study for visit in again} == {study.name for study in cohort.studies}
    for second in again:
        code = second.test.participant.code
        [first] = [v for v in visits if v.test.participant.code == code and v is not second]
        assert (first.test.choices.purpose, second.test.choices.purpose) == ("study", "retest")
        assert first.test.participant == second.test.participant
        for same in ("study", "protocol", "arm", "intent"):
            assert getattr(first.test.choices, same) == getattr(second.test.choices, same)
        assert (second.test.started - first.test.started).days in (7, 14, 21, 28)
        assert first.test.truth.body.slope_mmhg_per_w != second.test.truth.body.slope_mmhg_per_w
    assert len({visit.test.test_id for visit in visits}) == 15


def test_the_truth_has_a_row_a_test_and_its_people(written, summaries):
    rows = truth_of(written)
    assert len(rows) == TESTS
    assert {row["test_id"] for row in rows} == set(summaries)
    observers = {row["observer"] for row in rows}
    assert observers == {"OBS-1", "OBS-2", "OBS-3"}
    for row in rows:
        summary = summaries[row["test_id"]]
        for name in ("study", "participant", "observer", "intent", "sex", "outcome", "end_reason"):
            assert str(summary[name]) == row[name]
        assert summary["visit"] == int(row["visit"])
        assert summary["age_years"] == float(row["age_years"])
        person = {
            (r["usual_sbp_rest_mmhg"], r["arm"]) for r in rows if r["participant"] == row["participant"]
        }
        assert len(person) == 1
    late = sum(int(row["readings_late"]) for row in rows)
    missed = sum(int(row["readings_missed"]) for row in rows)
    planned = sum(int(row["readings_planned"]) for row in rows)
    # shares are uniform up to 10 and 8 %, and readings are lost when a ride ends
    assert 0 < late < 0.1 * planned
    assert 0 < missed < 0.15 * planned
    assert sum(int(row["heart_rate_dropouts"]) for row in rows) > 0


def test_habits_of_the_digits_show_in_the_journals(written, entries):
    rows = {row["observer"]: float(row["observer_zero_share"]) for row in truth_of(written)}
    digits: dict[str, list[int]] = {code: [] for code in rows}
    for event in entries:
        if isinstance(event, ReadingTaken) and event.k1_mmhg is not None and not event.k1_at_least:
            digits[event.observer].append(int(event.k1_mmhg) % 10)
    for code, share in rows.items():
        n = len(digits[code])
        assert abs(digits[code].count(0) / n - share) < 4 * math.sqrt(share * (1 - share) / n)
        assert not any(digit % 2 for digit in digits[code])
    zeros, n = sum(one.count(0) for one in digits.values()), sum(map(len, digits.values()))
    # without habit 20 % of even digits are zero
    assert zeros / n - 0.2 > 4 * math.sqrt(0.2 * 0.8 / n)


def test_readings_are_missed_with_reasons_and_by_the_recorder(entries):
    reasons = {event.reason for event in entries if isinstance(event, ReadingMissed)}
    assert {"not_heard", "not_entered", "participant_stopped"} <= reasons


def test_sealed_slopes_recover_the_truth(written, summaries):
    errors, inside = [], 0
    for row in truth_of(written):
        found, true = summaries[row["test_id"]], float(row["true_sbp_slope_mmhg_per_w"])
        if found["sbp_slope_mmhg_per_w"] is None:
            continue
        errors.append(found["sbp_slope_mmhg_per_w"] - true)
        low, high = found["sbp_slope_low_mmhg_per_w"], found["sbp_slope_high_mmhg_per_w"]
        inside += low <= true <= high
    n = len(errors)
    assert n > 0.6 * TESTS
    assert abs(statistics.fmean(errors)) < 3 * statistics.stdev(errors) / math.sqrt(n)
    # of 95 % intervals so few hold the truth in one cohort of a thousand only; more may, because
    # the larger of two standard errors stands and t widens an uncertainty that is not estimated
    assert inside >= binom.ppf(0.001, n, 0.95)


def test_sealed_resting_pressures_recover_the_truth(written, summaries):
    errors = []
    for row in truth_of(written):
        found = summaries[row["test_id"]]
        if found["sbp_rest_mmhg"] is not None:
            true = float(row["true_sbp_rest_mmhg"]) + float(row["observer_bias_mmhg"])
            errors.append(found["sbp_rest_mmhg"] - true)
    # a first sound comes up to a beat late: half of 2 to 3 mmHg/s at 60 to 80 bpm is 0.8 to 1.5 mmHg,
    # and breath lets the first beat come earlier or later; rounding to the nearest is even
    standard_error = statistics.stdev(errors) / math.sqrt(len(errors))
    assert -1.5 - 2.0 - 3 * standard_error < statistics.fmean(errors) < 3 * standard_error
    # one reading 3.5 mmHg (rules.toml), two are averaged, sometimes one is missed
    assert 3.5 / math.sqrt(3) / 1.5 < statistics.stdev(errors) < 3.5 * 1.5


def test_who_would_exceed_the_limit_of_systolic_stops_before(tmp_path):
    cohort = Cohort(3, invented_cohort(3).studies[:1])
    stopped = [v for v in map(cohort.visit, range(30)) if v.test.end_reason == "sbp_limit"]
    assert stopped
    for visit in stopped:
        body = visit.test.truth.body
        loads = [part.stage.target_watts for part in visit.test.ridden if part.stage.loaded]
        assert body.sbp_rest_mmhg + body.slope_mmhg_per_w * loads[-1] > 240
        assert body.sbp_rest_mmhg + body.slope_mmhg_per_w * loads[-2] <= 240
        assert loads[-1] <= body.watts_capacity or loads[-2] <= body.watts_capacity


def test_what_cannot_be_written_is_said_and_leaves_nothing(tmp_path, monkeypatch):
    cohort = invented_cohort(1, short())
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "kept.txt").write_text("mine")
    with pytest.raises(UsageError, match="not empty; name a new folder, nothing is overwritten"):
        write_cohort(cohort, 1, tmp_path / "full")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["kept.txt"]
    with pytest.raises(UsageError, match="cannot be made"):
        write_cohort(cohort, 1, tmp_path / "full" / "kept.txt" / "x")

    def no_space(descriptor: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(cohort_archive, "_UNSYNCED", Disk(write=no_space, fsync=lambda descriptor: None))
    with pytest.raises(ArchiveError, match="No space left on device"):
        write_cohort(cohort, 2, tmp_path / "new")
    assert list((tmp_path / "new").iterdir()) == []


def test_a_protocol_that_nobody_can_ride_is_refused():
    rest = parse_protocol({"stage": [{"phase": "rest", "position": "seated", "minutes": 8}]}, "rest")
    with pytest.raises(UsageError, match="no loaded stage; give it one, or leave --protocol out"):
        invented_cohort(1, rest)
    steep = parse_protocol({"stage": [{"phase": "exercise", "minutes": 3, "watts": 450}]}, "steep")
    with pytest.raises(
        UsageError, match="a load of 450 W, and nobody here rides more than 400 W; plan fewer"
    ):
        invented_cohort(1, steep)


def test_any_shipped_protocol_can_be_ridden(tmp_path):
    for path in sorted((shipped("fixtures") / "protocols").glob("*.toml")):
        protocol = parse_protocol(tomllib.loads(path.read_text(encoding="utf-8")), path.name)
        [row] = truth_of(write_cohort(invented_cohort(1, protocol), 1, tmp_path / path.stem).parent)
        assert row["protocol"] == protocol.name
