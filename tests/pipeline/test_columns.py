"""The data dictionary against the SQL, both ways, and against invented tests derived with it."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

import pytest

from pipeline import events as ev
from pipeline.columns import (
    Column,
    codes,
    published,
    readme_tables,
)
from pipeline.rules import Settings, shipped_rules
from pipeline.shipped import test_ladder as ladder
from pipeline.tables import LoadedJournal, Tables

# what the SQL gives on top, for its own use
LEFT_OUT = {
    "samples": {"watts_rank", "cadence_rank", "heart_rate_rank", "heart_rate_from_rr"},
    "stages": {"is_over"},
}
WITH_REASONS = ("readings", "summary")
COLUMNS = [(relation.name, column) for relation in published().values() for column in relation.columns]


def cases(chosen: Callable[[Column], object]) -> list[Any]:
    """The parameters (file, column) of the columns chosen."""
    return [
        pytest.param(name, column, id=f"{name}.{column.name}") for name, column in COLUMNS if chosen(column)
    ]


ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


# ---- invented tests ---------------------------------------------------------------------------


class Invented:
    """One invented test: what is present, missing or odd in it is drawn from a seed."""

    def __init__(self, seed: int) -> None:
        self.draw = random.Random(seed)
        self.test_id = f"T{seed}"
        self.rise = -0.1 if seed % 7 == 0 else 0.06 if seed % 7 == 1 else 0.5  # bpm a watt
        self.well = seed % 3 == 1  # an adult with a log that never fails: estimates want much
        self.stage_s = self.draw.choice((150.0, 180.0))
        self.events: list[ev.Event] = []
        self.closed = self.chance(0.7)
        self.end_s = 0.0
        self._open()
        self._sources()
        for index, (phase, position, watts, length_s) in enumerate(self._stages()):
            self._stage(index, phase, position, watts, length_s)
        for _ in range(self.draw.choice((0, 0, 1))):
            self._reading(None, self.end_s + 600)
        self._corrections()
        if self.closed:
            self.add(
                ev.TestClosed,
                self.end_s,
                outcome="completed",
                reason=self.maybe("exhaustion"),
                stopped_by=self.maybe("participant"),
                counts={},
            )

    def chance(self, share: float) -> bool:
        return self.draw.random() < share

    def maybe(self, value: Any, share: float = 0.75) -> Any:
        return value if self.chance(share) else None

    def add(self, kind: type[ev.Event], at_s: float, **fields: Any) -> int:
        seq = len(self.events)
        moment = ANCHOR + timedelta(seconds=at_s)
        given = {"source": "invented", "elapsed_s": max(0.0, at_s)} | fields
        self.events.append(kind(seq=seq, event_time=moment, **given))
        return seq

    def journal(self) -> LoadedJournal:
        as_of = ANCHOR + timedelta(seconds=self.end_s + 700)
        last = len(self.events) - 1
        return LoadedJournal(
            study="INVENTED",
            test_id=self.test_id,
            path=Path("invented"),
            data=None,
            events=self.events,
            samples=0,
            chain="0" * 16,
            closed=self.closed,
            as_of=as_of,
            last_seq=last,
        )

    def _open(self) -> None:
        person = {
            "visit": 1,
            "purpose": "study",
            "intent": "maximal",
            "age_years": self.draw.choice((15.0, 40.0, 95.0)),
            "sex": "female",
            "height_cm": 170.0,
            "mass_kg": 70.0,
            "arm_circumference_cm": 30.0,
            "medication": self.draw.choice(("none", "none", "none", "beta_blocker", "unknown")),
            "pacemaker": False,
            "ergometer_posture": "upright",
            "observer": "OB-1",
            "bladder_length_cm": 26.0,
            "bladder_width_cm": 13.0,
            "gauge_step_mmhg": 2.0,
            "gauge_checked_on": date(2026, 1, 5),
            "timezone": "Europe/Oslo",
        }
        adult: dict[str, Any] = (
            {"age_years": 40.0, "mass_kg": 70.0, "medication": "none"} if self.well else {}
        )
        self.add(
            ev.TestOpened,
            0,
            mode=self.draw.choice(("live", "join")),
            anchor=ANCHOR,
            test_id=self.test_id,
            study="INVENTED",
            participant="P-01",
            rules_digest="0" * 16,
            software="invented",
            **{name: self.maybe(value) for name, value in person.items()} | adult,
        )

    def _sources(self) -> None:
        self.bike, self.belt = self.well or self.chance(0.75), self.well or self.chance(0.75)
        self.step_s = self.draw.choice((5, 12))
        self.pulse = 112 if self.rise == 0.06 else self.draw.choice((70, 70, 130))
        if self.bike:
            self.add(ev.SourceOpened, 0, name="bike", adapter="csv", ranks="watts=1,cadence_rpm=1")
        if self.belt:
            self.add(ev.SourceOpened, 0, name="belt", adapter="csv", ranks="heart_rate_bpm=1")

    def _stages(self) -> list[tuple[str, str, float | None, float]]:
        rest: list[Any] = [("rest", self.draw.choice(("seated", "supine", "ergometer")), None, 420.0)]
        ride: list[Any] = [("warmup", "ergometer", 20.0, 120.0)] if self.chance(0.5) else []
        ride += [("exercise", "ergometer", 50.0 * n, self.stage_s) for n in range(1, self.draw.randint(2, 6))]
        end: list[Any] = [("recovery", "ergometer", 0.0, 240.0)] if self.chance(0.7) else []
        short: list[Any] = [("exercise", "ergometer", 20.0, 40.0)]
        choices = (
            [],
            rest,
            rest + short,
            ride + end,
            rest + end,
            rest + ride + end,
            rest + rest + ride + end,
        )
        return self.draw.choices(choices, weights=(1, 1, 3, 2, 1, 8, 3))[0]

    def _stage(self, index: int, phase: Any, position: Any, watts: float | None, length_s: float) -> None:
        start = self.end_s
        self.end_s = start + length_s
        ramp = phase == "exercise" and self.chance(0.1)
        self.add(
            ev.StageStarted,
            start,
            stage_index=index,
            label=f"{phase} {index}",
            phase=phase,
            position=position,
            target_watts=watts,
            target_watts_to=watts + 25 if ramp and watts is not None else None,
            planned_s=self.maybe(length_s * self.draw.choice((1, 1, 1, 1, 2))),
            by=self.draw.choice(("schedule", "operator")),
        )
        logs = [
            (
                self.bike and (self.well or self.chance(0.85)),
                "bike",
                {"watts": watts or 0.0, "cadence_rpm": 60.0},
            ),
            (
                self.belt and (self.well or self.chance(0.85)),
                "belt",
                {"heart_rate_bpm": self.pulse + (watts or 0) * self.rise},
            ),
        ]
        for there, source, measured in logs:
            silent_from = start + length_s * (2 if self.well else self.draw.choice((0.35, 0.6, 2, 2, 2)))
            at_s = start + self.draw.random()
            while there and at_s < min(self.end_s, silent_from):
                self.add(ev.Sample, at_s, source=source, elapsed_s=None, **measured)
                at_s += self.step_s
        for _ in range(self.draw.choice((0, 1, 1, 2))):
            due_seq = self._prompt(index, phase) if self.chance(0.7) else None
            self._reading(due_seq, start + length_s * self.draw.uniform(0.05, 0.99))
            if self.chance(0.3):
                self._reading(due_seq, self.end_s - 1)

    def _prompt(self, index: int, phase: str) -> int:
        moments = {
            name: ANCHOR + timedelta(seconds=self.end_s - before_s)
            for name, before_s in (
                ("stand_by", 80),
                ("cuff_up", 60),
                ("first_sound_due", 45),
                ("window_closes", 0),
            )
        }
        seq = self.add(
            ev.ReadingDue,
            self.end_s - 90,
            stage_index=index,
            listen_to_mmhg=40.0,
            expected_sbp_mmhg=140.0,
            aims_at="rest" if phase == "rest" else self.draw.choice(("stage_end", "mark")),
            fits=self.draw.choice(("whole", "systolic")),
            snapshot_seq=0,
            by="live",
            **moments,
        )
        if self.chance(0.1):
            self.add(ev.PromptSuperseded, self.end_s - 80, due_seq=seq, reason="invented")
        return seq

    def _reading(self, due_seq: int | None, at_s: float) -> None:
        if self.chance(0.15):
            self.add(
                ev.ReadingMissed,
                at_s,
                due_seq=due_seq,
                attempted=self.chance(0.5),
                reason=self.draw.choice(("not_heard", "arm_moved")),
                text=self.maybe("invented", 0.4),
            )
            return
        k5 = self.draw.choice((80.0, 76.0, 60.0, 20.0, None))
        last_s = self.draw.choice((None, 20, 20, 0))
        self.add(
            ev.ReadingTaken,
            at_s,
            elapsed_s=at_s + 30,
            due_seq=due_seq,
            k1_mmhg=self.maybe(self.draw.choice((130.0, 150.0, 170.0, 62.0)), 0.92),
            k1_at_least=self.maybe(self.chance(0.2), 0.5),
            k4_mmhg=self.draw.choice((None, 84.0)),
            k5_mmhg=k5,
            heard_to_mmhg=None if k5 is not None else self.maybe(40.0, 0.5),
            palpated_mmhg=self.maybe(120.0, 0.2),
            measured_source=self.draw.choice(("marked", "marked", "stated", "estimated")),
            last_sound_at=None if last_s is None else ANCHOR + timedelta(seconds=at_s + last_s),
            arm=self.maybe(self.draw.choice(("left", "right")), 0.6),
            position=self.maybe("ergometer", 0.2),
            inflated_to_mmhg=self.maybe(200.0, 0.6),
            deflation_mmhg_per_s=self.maybe(2.5, 0.4),
            deflation_mmhg_per_beat=self.maybe(3.0, 0.4),
            clarity=self.maybe(self.draw.choice(("clear", "difficult", "doubtful"))),
            arm_support=self.maybe("assessor", 0.6),
            arm_below_heart_cm=self.maybe(0.0, 0.3),
            observer=self.maybe("OB-1"),
            role=self.draw.choices((None, "primary", "second"), weights=(5, 5, 1))[0],
            note=self.maybe("invented", 0.3),
        )
        if self.chance(0.4):
            self.add(ev.ExertionRated, at_s + 5, due_seq=due_seq, rpe=13.0, rpe_scale=self.maybe("6-20"))

    def _corrections(self) -> None:
        for entry in [
            event for event in self.events if isinstance(event, ev.ReadingTaken | ev.ReadingMissed)
        ]:
            if self.chance(0.12):
                self.add(ev.Amended, self.end_s, target_seq=entry.seq, field="void", value=True,
                         reason="invented", by="OB-1")  # fmt: skip
        if self.chance(0.2):
            self.add(ev.LineRejected, self.end_s, raw="?", reason="invented")
        if self.chance(0.3):
            self.add(ev.FlagRaised, self.end_s, code="odd_digit", level="note", target_seq=0)
            self.add(ev.FlagAcknowledged, self.end_s, code="odd_digit", target_seq=0, by=self.maybe("OB-1"))


OTHER_METHODS = {"map_method": "heart_rate", "vo2_method": "maximal_cycle", "dbp_policy": "k4_throughout"}
BATCHES = {"shipped": (range(75), {}), "other methods": (range(100, 160), OTHER_METHODS)}


@pytest.fixture(scope="module")
def batches() -> Iterator[dict[str, Tables]]:
    """Many invented tests derived in one pass, with the shipped methods and with others."""
    derived = {}
    for name, (seeds, methods) in BATCHES.items():
        rules = shipped_rules()
        derived[name] = Tables(replace(rules, settings=rules.settings.model_copy(update=methods)))
        derived[name].load([Invented(seed).journal() for seed in seeds])
        derived[name].run()
    yield derived
    for tables in derived.values():
        tables.close()


@pytest.fixture(params=BATCHES)
def derived(batches: dict[str, Tables], request: pytest.FixtureRequest) -> Tables:
    """One of the two batches."""
    return batches[request.param]


@pytest.fixture(scope="module")
def empty() -> Iterator[Tables]:
    """The relations without a row."""
    tables = Tables(shipped_rules())
    tables.run()
    yield tables
    tables.close()


# ---- the dictionary against the SQL -----------------------------------------------------------


@pytest.mark.parametrize("name", published())
def test_columns_are_those_of_the_sql_in_their_order(empty: Tables, name: str) -> None:
    relation = published()[name]
    given = [row["column_name"] for row in empty.rows(f"describe select * from {relation.sql_relation}")]
    given.sort(key=lambda column: column == "missing")  # reasons come last, wherever a join puts them
    left_out = LEFT_OUT.get(name, set())
    assert left_out <= set(given)
    assert [column.name for column in relation.columns] == [c for c in given if c not in left_out]


@pytest.mark.parametrize(("name", "column"), cases(bool))
def test_types_are_those_of_the_sql(empty: Tables, name: str, column: Column) -> None:
    given = empty.rows(f"describe select {column.name} from {published()[name].sql_relation}")
    assert column.type == given[0]["column_type"]


def test_the_five_files_have_relation_grain_and_order() -> None:
    sql = {name: relation.sql_relation for name, relation in published().items()}
    assert sql == {
        "samples": "samples",
        "stages": "stage_loads",
        "readings": "measures left join uncertainty using (study, test_id, reading_id)",
        "flags": "flags",
        "summary": "summary left join slopes using (study, test_id)"
        " left join heart_rate_lines using (study, test_id)"
        " left join rest_classes using (study, test_id)"
        " left join watts_peaks using (study, test_id)"
        " left join heart_rate_recovery using (study, test_id)"
        " left join sbp_rises using (study, test_id)"
        " left join sbp_at_loads using (study, test_id)"
        " left join vo2max_estimates using (study, test_id)",
    }
    assert all(relation.grain.startswith("one row a") for relation in published().values())


@pytest.mark.parametrize("name", published())
def test_the_order_is_total(derived: Tables, name: str) -> None:
    relation = published()[name]
    key = ", ".join(("study", "test_id", *relation.order))
    doubles = derived.rows(f"select {key} from {relation.sql_relation} group by {key} having count(*) > 1")
    assert doubles == []


@pytest.mark.parametrize(("name", "column"), cases(bool))
def test_what_a_column_refers_to_exists(name: str, column: Column) -> None:
    names = {other.name for other in published()[name].columns}
    words = set(re.findall(r"[a-z_][a-z0-9_]*", re.sub(r"'[^']*'", "", column.only)))
    referred = {*column.needs, *filter(None, [column.note])}
    referred |= words - {"and", "or", "not", "in", "is", "null"}
    assert referred <= names - {column.name}
    assert not column.note or column.note.endswith("_note")
    for what in column.optional:
        kind, _, field = what.partition(".")
        assert kind in ev.KINDS
        if field:
            annotation = ev.KINDS[kind].model_fields[field].annotation
            assert get_origin(annotation) in (Union, UnionType)
            assert type(None) in get_args(annotation)


@pytest.mark.parametrize("name", published())
def test_needs_never_go_in_a_circle(name: str) -> None:
    needs = {column.name: set(column.needs) for column in published()[name].columns}
    while needs:
        free = {column for column, inputs in needs.items() if not inputs & set(needs)}
        assert free, f"each of these needs another of them: {sorted(needs)}"
        needs = {column: inputs for column, inputs in needs.items() if column not in free}


UNITS = {
    "_mmhg": "mmHg",
    "_mmhg_per_s": "mmHg/s",
    "_mmhg_per_beat": "mmHg",
    "_bpm": "bpm",
    "_rpm": "rpm",
    "_cm": "cm",
    "_kg": "kg",
    "_ml_kg_min": "mL/kg/min",
    "_s": "s",
    "_years": "years",
    "_n": "1",
    "watts": "W",
    "_watts": "W",
    "watts_mean": "W",
    "watts_sd": "W",
}


@pytest.mark.parametrize(("name", "column"), cases(bool))
def test_units_agree_with_names_and_types(name: str, column: Column) -> None:
    endings = [ending for ending in UNITS if column.name.endswith(ending)]
    if endings:
        assert column.unit == UNITS[max(endings, key=len)]
    if column.type in ("VARCHAR", "BOOLEAN", "TIMESTAMP", "DATE"):
        assert column.unit == ""
    elif column.type == "DOUBLE" and name != "flags":
        assert column.unit != ""
    assert re.fullmatch(r"[^\s].*[^.]\.", column.meaning)
    assert "|" not in column.meaning


@pytest.mark.parametrize(("name", "column"), cases(lambda column: column.method))
def test_method_ids_are_in_use(name: str, column: Column) -> None:
    by_setting = {
        "dbp_mmhg": "dbp_policy",
        "map_mmhg": "map_method",
        "vo2_est_ml_kg_min": "vo2_method",
        "hr_max_pred_bpm": "hr_max_method",
        "sbp_slope_norm": "slope_norm",
        "vo2max_est_ml_kg_min": "vo2_method",
    }
    if column.name in by_setting:
        annotation = Settings.model_fields[by_setting[column.name]].annotation
        assert get_origin(annotation) is Literal
        assert set(column.method) == set(get_args(annotation))
    else:
        literals = set(re.findall(r"'([^']*)'", "".join(plain(select) for _, select in ladder())))
        assert set(column.method) <= literals


# ---- the codes --------------------------------------------------------------------------------


def plain(select: str) -> str:
    return re.sub(r"--[^\n]*", "", select)


def note_values(select: str) -> dict[str, set[str]]:
    """The literals that each `case ... end as NAME_note` can give (after then or else).

    What a `reason` can give stands in the notes that take it up.
    """
    found: dict[str, set[str]] = {}
    open_cases: list[set[str]] = []
    before = ""
    tokens = re.findall(r"'[^']*'|\w+|[^\s\w]", plain(select))
    for place, token in enumerate(tokens):
        if token == "case":
            open_cases.append(set())
        elif token == "end" and open_cases:
            values = open_cases.pop()
            if open_cases:
                open_cases[-1] |= values
            elif tokens[place + 1] == "as" and tokens[place + 2].endswith(("_note", "reason")):
                found.setdefault(tokens[place + 2], set()).update(values)
        elif token.startswith("'") and before in ("then", "else") and open_cases:
            open_cases[-1].add(token.strip("'"))
        before = token
    return found


def missing_pairs() -> set[tuple[str, str, str]]:
    """(file, column, code) of every pair that the SQL can write into `missing`."""
    ours = {relation.sql_relation.split()[0]: name for name, relation in published().items()}
    return {
        (ours[name], *pair.split("="))
        for name, select in ladder()
        if name in ours
        for literal in re.findall(r"'([a-z0-9_]+=[a-z0-9_]+(?: [a-z0-9_]+=[a-z0-9_]+)*)'", plain(select))
        for pair in literal.split()
    }


def test_every_code_in_the_sql_is_listed_and_every_listed_code_is_in_the_sql() -> None:
    notes = set().union(*(set().union(*note_values(select).values(), set()) for _, select in ladder()))
    assert {"no_sample", "stale", "phase_differs", "under_120_s", "entered_twice"} <= notes
    reasons = {code for _, _, code in missing_pairs()}
    # used_note takes over the status of what was not taken
    assert notes | reasons | {"void", "missed"} == set(codes())


def test_missing_names_published_columns() -> None:
    named = {(name, column) for name, column, _ in missing_pairs()}
    assert named <= {(name, column.name) for name, column in COLUMNS}
    assert {name for name, _ in named} == set(WITH_REASONS)


def test_note_columns_are_published_under_their_names() -> None:
    made = set().union(*(note_values(select).keys() for _, select in ladder())) - {"reason"}
    assert made == {column.name for _, column in COLUMNS if column.name.endswith("_note")} - {"flags_note"}


# ---- every null has a reason ------------------------------------------------------------------


def pairs(missing: str | None) -> dict[str, str]:
    return dict(pair.split("=") for pair in (missing or "").split())


class Journal:
    """What the journals of the derived tests hold, with amendments, by kind and test."""

    def __init__(self, tables: Tables) -> None:
        self.kinds: dict[str, dict[str, list[dict[str, Any]]]] = {}
        for kind in {what.partition(".")[0] for _, column in COLUMNS for what in column.optional}:
            by_test = self.kinds[kind] = {}
            for row in tables.rows(f"select * from {kind}"):
                by_test.setdefault(row["test_id"], []).append(row)

    def lacks(self, name: str, row: dict[str, Any], what: str, prompts: list[int | None]) -> bool:
        """Whether the journal lacks this event, or this field of the event, behind the row."""
        kind, _, field = what.partition(".")
        behind = self.kinds[kind].get(row["test_id"], [])
        if name == "readings":
            if kind == "amended":
                behind = [event for event in behind if event["target_seq"] == row["reading_id"]]
            elif kind == "exertion_rated":
                # of two entries for one prompt the rating goes to one
                alone = row["due_seq"] is not None and prompts.count(row["due_seq"]) == 1
                behind = [
                    event
                    for event in behind
                    if (alone and event["due_seq"] == row["due_seq"])
                    or (field and abs(event["event_time"] - row["measured_at"]) <= timedelta(seconds=60))
                ]
            else:
                behind = [event for event in behind if event["seq"] == row["reading_id"]]
        return any(event[field] is None for event in behind) if field else not behind


@pytest.mark.parametrize("name", WITH_REASONS)
def test_every_null_has_a_reason(derived: Tables, name: str) -> None:
    relation = published()[name]
    journal = Journal(derived)
    conditions = "".join(
        f', coalesce({column.only}, false) as "only {column.name}"'
        for column in relation.columns
        if column.only
    )
    rows = derived.rows(f"select *{conditions} from {relation.sql_relation}")
    prompts: dict[str, list[int | None]] = {}
    for row in rows:
        prompts.setdefault(row["test_id"], []).append(row.get("due_seq"))
    unexplained = []
    for row in rows:
        said = pairs(row["missing"])
        for column in relation.columns:
            if row[column.name] is not None or column.name.endswith("_note") or column.name == "missing":
                continue
            explained = (
                not row.get(f"only {column.name}", True)
                or any(row[needed] is None for needed in column.needs)
                or bool(column.note and row[column.note])
                or column.name in said
                or any(journal.lacks(name, row, what, prompts[row["test_id"]]) for what in column.optional)
            )
            if not explained:
                unexplained.append((row["test_id"], row.get("reading_id"), column.name))
    assert unexplained == []


@pytest.mark.parametrize(
    ("name", "column"),
    cases(lambda column: column.only or column.needs),
)
def test_a_value_stands_only_where_its_conditions_hold(derived: Tables, name: str, column: Column) -> None:
    relation = published()[name]
    outside = [f"{needed} is null" for needed in column.needs]
    outside += [f"not coalesce({column.only}, false)"] if column.only else []
    there = derived.rows(
        f"select * from {relation.sql_relation} where {column.name} is not null and ({' or '.join(outside)})"
    )
    assert there == []


@pytest.mark.parametrize("name", WITH_REASONS)
def test_missing_speaks_of_nulls_only(derived: Tables, name: str) -> None:
    for row in derived.rows(f"select * from {published()[name].sql_relation}"):
        for column, code in pairs(row["missing"]).items():
            assert row[column] is None, (row["test_id"], column, code)


def test_the_invented_tests_meet_every_code(batches: dict[str, Tables]) -> None:
    met: set[str] = set()
    for tables in batches.values():
        for name, column in COLUMNS:
            select = f"select distinct {column.name} as v from {published()[name].sql_relation}"
            if name in WITH_REASONS and column.name.endswith("_note") and column.type == "VARCHAR":
                met |= {row["v"] for row in tables.rows(select) if row["v"] is not None}
            elif name in WITH_REASONS and column.name == "missing":
                met |= {code for row in tables.rows(select) for code in pairs(row["v"]).values()}
    assert met == set(codes())


# ---- the tables of the README -----------------------------------------------------------------


def test_readme_tables_have_every_column_with_unit_and_meaning() -> None:
    text = readme_tables()
    for relation in published().values():
        section = text.partition(f"### {relation.name}.parquet\n")[2].partition("\n### ")[0]
        shown = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| `")]
        assert [cells[0] for cells in shown] == [f"`{column.name}`" for column in relation.columns]
    assert "| `watts` | W | Load as logged, converted to watts. |" in text
    assert "| `study` |  | Study. |" in text
    assert all(f"| `{code}` | " in text for code in codes())
