"""Some hundred invented tests with all that can be odd in one, joined by us and as plain rows.

The rows are what the journals say, amendments overlaid; nothing in them was derived.  What the
references make of them must be what stands in the sealed files.
"""

from __future__ import annotations

import json
import math
import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from pipeline.archive import Archive, TestFolder
from pipeline.cli import app
from pipeline.events import (
    Amended,
    Event,
    ReadingDue,
    ReadingMissed,
    ReadingTaken,
    Sample,
    StageStarted,
    TestOpened,
)
from pipeline.journal import iter_events
from pipeline.rules import shipped_rules
from pipeline.seal import seal_all
from pipeline.shipped import shipped
from pipeline.simulate import SimulatedTest

RIDES, TIMES = 67, 3
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
LONG_AGO_US = 10**15  # integers above are moments, which may be rounded the other way
READING_COLUMNS = (
    *("status", "used", "stage_index", "stage_source", "phase"),
    *("dbp_mmhg", "dbp_phase", "dbp_upper_mmhg", "deflation_between_mmhg_per_s", "rate_mmhg_per_s"),
    *("pump_started_at", "last_sound_at", "dbp_at", "released_at", "load_window_s"),
    *("watts", "watts_n", "watts_sd", "watts_age_s", "watts_source"),
    *("cadence_rpm", "cadence_n", "cadence_sd_rpm", "cadence_age_s", "cadence_source"),
    *("heart_rate_bpm", "heart_rate_n", "heart_rate_sd_bpm", "heart_rate_age_s", "heart_rate_source"),
    *("watts_at_dbp", "dbp_next_load", "pulse_pressure_mmhg", "map_mmhg", "rate_pressure_product"),
    *("vo2_est_ml_kg_min", "vo2_valid", "mets_est"),
    *("hr_max_pred_bpm", "hr_percent_max", "hr_percent_reserve"),
    *("sbp_change_rest_mmhg", "dbp_change_rest_mmhg", "hr_change_rest_bpm"),
    *("earlier_stage_index", "stages_between", "watts_change_stage", "sbp_change_stage_mmhg"),
    *("dbp_change_stage_mmhg", "map_change_stage_mmhg", "pulse_pressure_change_stage_mmhg"),
)
REST_COLUMNS = (
    *("rest_position", "sbp_rest_mmhg", "sbp_rest_n", "sbp_rest_spread_mmhg"),
    *("dbp_rest_mmhg", "dbp_rest_phase", "hr_rest_bpm"),
)
ORDER = {"test_opened": 0, "source_opened": 1, "stage_started": 2, "sample": 3, "reading_due": 4}
Row = dict[str, Any]


def us(moment: datetime) -> int:
    """Microseconds since 1970 UTC."""
    return (moment - EPOCH) // timedelta(microseconds=1)


@dataclass
class Joined:
    """Tests as rows by kind of event, and what was sealed of them.

    `samples` are (test_id, source, us, seq, watts, cadence_rpm, heart_rate_bpm), us being the source's
    own time; every other row has the
    fields of its event and `test_id`, times as microseconds.
    """

    rows: dict[str, list[Row]] = field(default_factory=lambda: defaultdict(list))
    samples: list[tuple[Any, ...]] = field(default_factory=list)
    readings: list[Row] = field(default_factory=list)
    summary: list[Row] = field(default_factory=list)

    def take(self, events: Iterable[Event]) -> None:
        """The events of one test, from test_opened on."""
        kept = list(events)
        test_id = getattr(kept[0], "test_id")  # noqa: B009 - an Event has none
        changes: dict[int, Row] = defaultdict(dict)
        for event in kept:
            if isinstance(event, Amended):
                changes[event.target_seq][event.field] = event.value
        for event in kept:
            if isinstance(event, Sample):
                values = (event.watts, event.cadence_rpm, event.heart_rate_bpm)
                self.samples.append((test_id, event.source, us(event.event_time), event.seq, *values))
                continue
            changed = changes.get(event.seq if event.seq is not None else -1, {})
            whole = event.model_copy(
                update={
                    name: datetime.fromisoformat(value) if name == "event_time" else value
                    for name, value in changed.items()
                }
            )
            row = {name: getattr(whole, name) for name in type(whole).model_fields}
            row = {name: us(v) if isinstance(v, datetime) else v for name, v in row.items()}
            row |= {"test_id": test_id, "void": changed.get("void") is True}
            self.rows[event.kind].append(row)

    def seal(self, folders: Sequence[TestFolder]) -> None:
        """What our own derivation makes of these tests."""
        problems = [outcome.problem for outcome in seal_all(folders, shipped_rules()) if outcome.problem]
        assert problems == []
        for name, into in (("readings", self.readings), ("summary", self.summary)):
            tables = [pq.ParquetFile(folder.parquet(name)).read() for folder in folders]
            whole = pa.concat_tables([table.replace_schema_metadata(None) for table in tables])
            for row in whole.to_pylist():
                into.append({key: us(v) if isinstance(v, datetime) else v for key, v in row.items()})


class Oddities:
    """Changes to the events of one invented test, drawn by its number; `result` numbers them anew."""

    def __init__(self, test: SimulatedTest, timed: Sequence[tuple[float, Event]], again: int) -> None:
        self.draw = random.Random(f"oddities {test.number} {again}")
        self.again = again
        self.test = test
        # (elapsed s, order at one moment, event, events that its numbers point to by field)
        self.items: list[tuple[float, int, Event, dict[str, int]]] = []
        self.later: list[Amended] = []
        ends = {part.stage_index: part.ended_s for part in test.ridden}
        dues = self._prompts()
        for elapsed_s, event in timed:
            if isinstance(event, Sample):
                self._sample(event, elapsed_s)
            elif isinstance(event, StageStarted):
                self._add(self._stage(event), elapsed_s)
            elif isinstance(event, ReadingTaken):
                self._reading(event, elapsed_s, dues, ends)
            elif isinstance(event, ReadingMissed):
                missed = {"stage_index": self.draw.choice((None, 1, 2))}
                self._add(event.model_copy(update=missed), elapsed_s)
            elif isinstance(event, TestOpened):
                self._add(event.model_copy(update=self._facts(event)), elapsed_s)
            else:
                self._add(event, elapsed_s)
        self._gaps()

    def result(self, close: Callable[[Sequence[Event], float], list[Event]]) -> list[Event]:
        """Numbered events in order of time, closed, with the amendments behind."""
        order = sorted(range(len(self.items)), key=lambda n: (*self.items[n][:2], n))
        seq_of = {n: seq for seq, n in enumerate(order)}
        events = []
        for n in order:
            elapsed_s, _, event, points = self.items[n]
            update = {name: seq_of[to] for name, to in points.items()}
            update |= {"seq": seq_of[n], "elapsed_s": max(0.0, elapsed_s)}
            events.append(event.model_copy(update=update))
        events = close(events, self.test.ended_s)
        last = events[-1].elapsed_s
        for amended in self.later:
            target = seq_of[amended.target_seq]
            update = {"seq": len(events), "elapsed_s": last, "target_seq": target}
            events.append(amended.model_copy(update=update))
        return events

    def _chance(self, share: float) -> bool:
        return self.draw.random() < share

    def _add(self, event: Event, elapsed_s: float, **points: int) -> int:
        self.items.append((elapsed_s, ORDER.get(event.kind, 5), event, points))
        return len(self.items) - 1

    def _facts(self, event: TestOpened) -> Row:
        """Another test of the same ride, with facts that bear on the measures."""
        ages = (None, 15.0, 17.9, 18.0, 34.0, 51.5)
        return {
            "test_id": f"{event.test_id}-{self.again}",
            # with the heart rates that come with it, the oldest have no reserve to speak of
            "age_years": 120.0 if self._fast else self.draw.choice(ages),
            "intent": ("maximal", "symptom_limited", None)[self.again],
            "mass_kg": self.draw.choice((None, 58.5, 70.0, 70.0, 104.2)),
            "ergometer_posture": self.draw.choice(("upright", "upright", "supine", "semi_recumbent", None)),
            "medication": self.draw.choice(("none", "beta_blocker+other", None)),
        }

    @property
    def _fast(self) -> bool:
        return self.test.number % 11 == 6

    def _sample(self, event: Sample, elapsed_s: float) -> None:
        """Now and then a value that no device can mean, or a second line with the same time."""
        values = {name: getattr(event, name) for name in ("watts", "cadence_rpm", "heart_rate_bpm")}
        given = [name for name, value in values.items() if value is not None]
        if event.heart_rate_bpm is not None and self._fast:
            event = event.model_copy(update={"heart_rate_bpm": event.heart_rate_bpm + 45})
        if self._chance(0.02):
            odd = {
                "watts": (-21.0, -20.0, 2000.0, 2000.5),
                "cadence_rpm": (-1.0, 200.5),
                "heart_rate_bpm": (0.0, 24.9, 25.0, 240.0, 241.0),
            }
            name = self.draw.choice(given)
            event = event.model_copy(update={name: self.draw.choice(odd[name])})
        self._add(event, elapsed_s)
        if self._chance(0.02):
            name = self.draw.choice(given)
            again = {name: self.draw.choice((values[name] + 7.0, -500.0))}
            if len(given) > 1:
                other = self.draw.choice(given)
                again = again | ({other: None} if other != name else {})
            self._add(event.model_copy(update=again), elapsed_s)

    def _stage(self, event: StageStarted) -> StageStarted:
        """Now and then another phase, posture or kind of stage than the protocol has."""
        update: Row = {}
        if event.phase == "rest" and self._chance(0.3):
            update = {"position": self.draw.choice(("ergometer", "supine", "standing"))}
        elif event.phase == "exercise":
            if event.stage_index == 1 and self._chance(0.4):
                update = {"phase": "warmup"}
            elif self._chance(0.1):
                update = {"phase": "rest", "position": self.draw.choice(("ergometer", "seated"))}
            elif self._chance(0.1):
                update = {"target_watts_to": 150.0}
        return event.model_copy(update=update)

    def _prompts(self) -> dict[float, tuple[int, int]]:
        """Most planned readings have a prompt: moment noted -> (item, stage)."""
        at, dues = self.test.at, {}
        for reading in self.test.readings:
            if not self._chance(0.7):
                continue
            plan = reading.prompt
            due = ReadingDue(
                event_time=at(plan.stand_by),
                source="recorder",
                stage_index=plan.stage_index,
                stand_by=at(plan.stand_by),
                cuff_up=at(plan.cuff_up),
                first_sound_due=at(plan.first_sound_due),
                window_closes=at(plan.window_closes),
                inflate_to_mmhg=plan.inflate_to,
                listen_to_mmhg=plan.listen_to,
                expected_sbp_mmhg=plan.expected_sbp,
                expected_dbp_mmhg=plan.expected_dbp if self._chance(0.7) else None,
                aims_at=plan.aims_at,
                fits=plan.fits,
                snapshot_seq=0,
                by="planned",
            )
            item = self._add(due, max(0.0, min(plan.stand_by, reading.noted_s - 1)))
            dues[reading.noted_s] = (item, plan.stage_index)
        return dues

    def _reading(
        self,
        event: ReadingTaken,
        noted_s: float,
        dues: dict[float, tuple[int, int]],
        ends: dict[int, float],
    ) -> None:
        update: Row = self._sounds(event)
        points = {}
        if noted_s in dues and self._chance(0.9):
            item, stage_index = dues[noted_s]
            points["due_seq"] = item
            if self._chance(0.15):  # about the end of the prompt's stage
                after_s = self.draw.choice((-3.0, 0.0, 0.5, 9.5, 10.0, 10.5, 35.0))
                noted_s = max(noted_s, ends.get(stage_index, noted_s) + after_s)
        moment = self.test.at(noted_s)
        update["event_time"] = moment
        draw = self.draw.random()
        if draw < 0.3:
            update |= self._marked(event.model_copy(update=update), moment)
        elif draw < 0.5:
            update["measured_source"] = "estimated"
            noted_s += self.draw.uniform(20, 60)
        if self._chance(0.2):
            update["deflation_mmhg_per_s"] = None
            if self._chance(0.6):
                update["deflation_mmhg_per_beat"] = self.draw.choice((2.0, 3.0, 3.5))
        changed = event.model_copy(update=update)
        item = self._add(changed, noted_s, **points)
        if self._chance(0.1):  # entered again, or heard by a second observer too
            k1 = None if changed.k1_mmhg is None else changed.k1_mmhg + 4
            second = {"role": self.draw.choice(("second", None)), "k1_mmhg": k1}
            self._add(changed.model_copy(update=second), noted_s + 5, **points)
        if self._chance(0.12):
            self._amend(changed, item)

    def _sounds(self, event: ReadingTaken) -> Row:
        """What was heard: on towards zero, muffled only, not at all, or unclear."""
        k5 = event.k5_mmhg if event.k5_mmhg is not None else 70.0
        return {
            "clarity": self.draw.choice((event.clarity, None, "doubtful", "clear", "clear")),
            **self.draw.choices(
                (
                    {},
                    {"k4_mmhg": k5 + 8},
                    {"k4_mmhg": k5 + 8, "k5_mmhg": 0.0},
                    {"k5_mmhg": self.draw.choice((38.0, 40.0))},
                    {"k5_mmhg": None, "heard_to_mmhg": 40.0},
                    {"k5_mmhg": None},
                    {"k4_mmhg": k5 + 8, "k5_mmhg": None},
                    {"k1_mmhg": None},
                    {"k1_at_least": True},
                    {"k1_mmhg": k5},
                ),
                weights=(50, 10, 8, 4, 4, 4, 6, 3, 4, 3),
            )[0],
        }

    def _marked(self, event: ReadingTaken, moment: datetime) -> Row:
        last = moment + timedelta(seconds=self.draw.choice((0.0, 18.25, 31.5, 55.0)))
        return {
            "measured_source": "marked",
            "last_sound_at": self.draw.choice((None, last, last)),
        }

    def _amend(self, event: ReadingTaken, item: int) -> None:
        """Later one field is corrected, or the reading taken out."""
        moment = event.event_time + timedelta(seconds=self.draw.choice((-20.5, 12.25)))
        chosen = self.draw.choice(
            (("void", True), ("k1_mmhg", 170.0), ("clarity", None), ("event_time", moment.isoformat()))
        )
        self.later.append(
            Amended(
                event_time=self.test.at(self.test.ended_s),
                source="amend",
                target_seq=item,
                field=chosen[0],
                value=chosen[1],
                reason="wrongly entered",
                by="O-1",
            )
        )

    def _gaps(self) -> None:
        """Logs that are silent before some readings, for up to a minute."""
        gaps = []
        for at_s, _, event, _ in self.items:
            if isinstance(event, ReadingTaken) and self._chance(0.15):
                source = self.draw.choice(("ergometer", "heart_rate"))
                to_s = at_s - self.draw.choice((-1.0, 0.0, 4.0, 8.0, 12.0))
                gaps.append((source, to_s - self.draw.uniform(5, 60), to_s))
        kept, place = [], {}
        for n, item in enumerate(self.items):
            at_s, _, event, _ = item
            if isinstance(event, Sample) and any(
                event.source == source and begins < at_s <= ends for source, begins, ends in gaps
            ):
                continue
            place[n] = len(kept)
            kept.append(item)
        self.items = [
            (at_s, order, event, {name: place[to] for name, to in points.items()})
            for at_s, order, event, points in kept
        ]
        self.later = [
            amended.model_copy(update={"target_seq": place[amended.target_seq]}) for amended in self.later
        ]


def choices(number: int) -> Row:
    """The choices of the invented test of this number."""
    chosen: Row = {"study": "recomputed", "stages": 3 + number % 3, "missed_share": 0.1, "late_share": 0.2}
    if number % 4:  # half the lines tell the same in half the time
        chosen |= {"ergometer_hz": 0.5, "heart_rate_hz": 0.5}
    if number % 5 == 1:
        chosen |= {"sounds_to_mmhg": 0.0, "sounds_from_stage": 2}
    if number % 4 == 2:
        chosen |= {"heart_rate_dropouts": 6}
    if number % 7 == 3:
        chosen |= {"ramp_to_watts": 210.0, "ramp_minutes": 7.0, "ramp_reading_every_s": 100.0}
    if number % 6 == 4:
        chosen |= {"heart_rate_log": "rr"}
    if number % 3 == 1:
        chosen |= {"ergometer_offset_s": -37.25, "heart_rate_offset_s": 12.5}
    if number % 5 == 2:
        chosen |= {"pedals_hz": 0.5}
    if number % 8 == 5:
        chosen |= {"ergometer_hz": 0.1, "heart_rate_hz": 0.2}
    if number == 8:
        chosen |= {"ergometer_hz": 10.0}
    return chosen


@pytest.fixture(scope="session")
def cohort(
    tmp_path_factory: pytest.TempPathFactory,
    short_test: Callable[..., SimulatedTest],
    timed_events: Callable[..., list[tuple[float, Event]]],
    closed: Callable[[Sequence[Event], float], list[Event]],
    write_journal: Callable[[Archive, Iterable[Event]], TestFolder],
) -> Joined:
    """RIDES invented rides, each TIMES over with other oddities, written as journals and sealed."""
    archive = Archive(tmp_path_factory.mktemp("recomputed"))
    joined, folders = Joined(), []
    for number in range(RIDES):
        test = short_test(number, **choices(number))
        timed = timed_events(test)
        for again in range(TIMES):
            events = Oddities(test, timed, again).result(closed)
            joined.take(events)
            folders.append(write_journal(archive, events))
    joined.seal(folders)
    return joined


@pytest.fixture(scope="session")
def demo_cohort(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    """The four demo tests, through the adapters and the join, as their journals say."""
    archive = tmp_path_factory.mktemp("demo")
    setups = sorted((shipped("fixtures") / "demo").glob("*/test.toml"))
    assert len(setups) == 4
    for setup in setups:
        done = CliRunner().invoke(app, ["join", str(setup), "--archive", str(archive)])
        assert done.exit_code == 0, done.output
    joined, folders = Joined(), list(Archive(archive).tests())
    for folder in folders:
        joined.take(iter_events(folder.journal))
    joined.seal(folders)
    return joined


@pytest.fixture(params=READING_COLUMNS)
def reading_column(request: pytest.FixtureRequest) -> str:
    """A column of the readings that is made anew."""
    return str(request.param)


@pytest.fixture(params=REST_COLUMNS)
def rest_column(request: pytest.FixtureRequest) -> str:
    """A column of the summary that is made anew."""
    return str(request.param)


@pytest.fixture(scope="session")
def reading_columns() -> tuple[str, ...]:
    """All columns of the readings that are made anew."""
    return READING_COLUMNS


@pytest.fixture(scope="session")
def rest_columns() -> tuple[str, ...]:
    """All columns of the summary that are made anew."""
    return REST_COLUMNS


@dataclass(frozen=True)
class Difference:
    """One value on which two derivations differ."""

    test_id: str
    reading_id: int | None
    column: str
    ours: Any
    expected: Any


def differences(ours: Sequence[Row], expected: Sequence[Row], keys: Sequence[str]) -> list[Difference]:
    """Every value of `expected` that is not ours: times to 1 us, numbers to 1e-9 relative and absolute."""
    by_key = {tuple(row[key] for key in keys): row for row in ours}
    assert len(by_key) == len(ours) == len(expected)
    found = []
    for row in expected:
        our = by_key[tuple(row[key] for key in keys)]
        for column, value in row.items():
            if not _same(our[column], value):
                found.append(Difference(row["test_id"], row.get("reading_id"), column, our[column], value))
    return found


def _same(ours: Any, expected: Any) -> bool:
    if isinstance(expected, float) and math.isnan(expected):
        expected = None
    if ours is None or expected is None:
        return ours is None and expected is None
    if isinstance(expected, bool | str) or isinstance(ours, bool | str):
        return bool(ours == expected)
    if isinstance(ours, int):  # a time in microseconds or a whole number
        return abs(ours - expected) <= (ours > LONG_AGO_US)
    return math.isclose(ours, expected, rel_tol=1e-9, abs_tol=1e-9)


def told(found: Sequence[Difference]) -> str:
    """The differences by column, for whoever has to look."""
    by_column: dict[str, list[Difference]] = defaultdict(list)
    for one in found:
        by_column[one.column].append(one)
    return json.dumps(
        {name: [len(some), *map(str, some[:4])] for name, some in by_column.items()}, indent=1, default=str
    )


@pytest.fixture(scope="session")
def assert_same() -> Callable[[Sequence[Row], Sequence[Row], Sequence[str]], None]:
    """(ours, expected, key columns): fails with every difference unless they are the same."""

    def check(ours: Sequence[Row], expected: Sequence[Row], keys: Sequence[str]) -> None:
        found = differences(ours, expected, keys)
        assert not found, told(found)

    return check
