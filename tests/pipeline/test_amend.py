"""Corrections: what may be amended, what is written, and that a refusal writes nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline import events as ev
from pipeline.amend import amend, history, plain
from pipeline.amend_view import changes, rows_before, sealed_rows
from pipeline.amendable import amendable, entries
from pipeline.archive import Archive, TestFolder
from pipeline.errors import CuffwattError, InputError, JournalDamaged, JournalLocked, UsageError
from pipeline.journal import Journal, read_journal
from pipeline.seal import seal_all
from pipeline.tables import Tables
from pipeline.verify import verify

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)
NOW = datetime(2026, 3, 20, 8, 15, tzinfo=UTC)
# seq in the order of writing
OPENED, SOURCE, REST, SAMPLE, DUE, READING, RATED, SECOND, LOADED, MISSED, NOTE, CLOSED = range(12)


def at(seconds: float) -> datetime:
    return ANCHOR + timedelta(seconds=seconds)


def lines(close: bool = True) -> list[ev.Event]:
    """Rest to 60 s with one prompt answered and one reading more, then 50 W to 120 s."""

    def told(kind: type[ev.Event], seconds: float, **fields: Any) -> ev.Event:
        given = {"source": "test", "elapsed_s": seconds} | fields
        return kind(event_time=at(seconds), **given)

    due = {name: at(20) for name in ("stand_by", "cuff_up", "first_sound_due", "window_closes")}
    stage = {"position": "seated", "by": "schedule"}
    events = [
        told(ev.TestOpened, 0, mode="join", anchor=ANCHOR, test_id="T", study="S", participant="P-01",
             mass_kg=80.0, rules_digest="0" * 16, software="test"),
        told(ev.SourceOpened, 0, name="bike", adapter="csv", ranks="watts=1", clock_method="none"),
        told(ev.StageStarted, 0, stage_index=0, label="rest", phase="rest", **stage),
        told(ev.Sample, 10, watts=0.0, source="bike"),
        told(ev.ReadingDue, 20, stage_index=0, listen_to_mmhg=40.0, expected_sbp_mmhg=120.0, aims_at="rest",
             fits="whole", snapshot_seq=0, by="planned", **due),
        told(ev.ReadingTaken, 30, due_seq=DUE, k1_mmhg=120.0, k5_mmhg=80.0, measured_source="estimated",
             deflation_mmhg_per_s=3.0),
        told(ev.ExertionRated, 30, rpe=8.0, due_seq=DUE),
        told(ev.ReadingTaken, 40, k1_mmhg=124.0, k5_mmhg=80.0, measured_source="marked"),
        told(ev.StageStarted, 60, stage_index=1, label="50 W", phase="exercise", **stage),
        told(ev.ReadingMissed, 100, attempted=True, reason="not_heard"),
        told(ev.NoteWritten, 110, text="hot room"),
    ]  # fmt: skip
    if close:
        counts = dict(Counter(event.kind for event in events))
        events.append(told(ev.TestClosed, 120, outcome="completed", counts=counts))
    return [event.model_copy(update={"seq": seq}) for seq, event in enumerate(events)]


def written(root: Path, close: bool = True, test_id: str = "T") -> TestFolder:
    folder = Archive(root).create("S", test_id)
    with Journal.create(folder.journal) as journal:
        opened, *rest = lines(close)
        journal.append([opened.model_copy(update={"test_id": test_id}), *rest])
        journal.sync()
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> TestFolder:
    return written(tmp_path)


def correct(folder: TestFolder, seq: int, why: str = "typed wrong", who: str = "AB-1", **fields: Any):
    return amend(folder, seq, fields, reason=why, by=who, now=NOW)


def test_a_correction_is_one_more_line_and_the_original_stays(folder: TestFolder) -> None:
    before = folder.journal.read_bytes()
    [made] = correct(folder, READING, k1_mmhg=126.0)
    after = folder.journal.read_bytes()
    assert after.startswith(before)
    assert read_journal(folder.journal).events[-1] == made
    assert made == ev.Amended(
        seq=CLOSED + 1, event_time=NOW, elapsed_s=120.0, source="amend", target_seq=READING, field="k1_mmhg",
        value=126.0, reason="typed wrong", by="AB-1",
    )  # fmt: skip


def readings(folder: TestFolder) -> dict[int, dict[str, Any]]:
    [outcome] = seal_all([folder], None)
    assert outcome.problem is None
    return {row["reading_id"]: row for row in sealed_rows(folder)["readings"]}


def test_sealed_readings_carry_what_was_entered_and_what_stands(folder: TestFolder) -> None:
    plain_rows = readings(folder)
    assert plain_rows[READING]["originals"] is None
    correct(folder, READING, k1_mmhg=126.0)
    correct(folder, READING, k1_mmhg=128.0, clarity="clear")
    row = readings(folder)[READING]
    assert (row["sbp_mmhg"], row["clarity"]) == (128, "clear")
    assert row["originals"] == '{"clarity": null, "k1_mmhg": 120.0}'
    assert row["amendments"].startswith(
        "k1_mmhg: 120.0 -> 126.0 (AB-1, 2026-03-20T08:15:00Z, typed wrong); k1_mmhg: 120.0 -> 128.0 ("
    )
    [summary] = sealed_rows(folder)["summary"]
    assert summary["amendments"].startswith(f"{READING} k1_mmhg: 120.0 -> 126.0 (AB-1, 2026-03-20T08:15:00Z,")
    # neither the pressure nor the rate moves the first sound
    correct(folder, READING, deflation_mmhg_per_s=2.0)
    assert readings(folder)[READING]["measured_at"] == plain_rows[READING]["measured_at"] == at(30)


def test_a_rating_that_was_corrected_shows_beside_its_reading(folder: TestFolder) -> None:
    correct(folder, RATED, rpe=9.0)
    row = readings(folder)[READING]
    assert (row["rpe"], row["originals"]) == (9, '{"rpe": 8.0}')
    assert row["amendments"].startswith("rpe: 8.0 -> 9.0 (")


def test_the_files_are_those_that_sealing_anew_makes(folder: TestFolder, tmp_path: Path) -> None:
    seal_all([folder], None)
    correct(folder, READING, k1_mmhg=126.0, k5_mmhg=None)
    correct(folder, SOURCE, clock_offset_s=-5.0)
    seal_all([folder], None)
    anew = Archive(tmp_path / "anew").create("S", "T")
    anew.journal.write_bytes(folder.journal.read_bytes())
    seal_all([anew], None)
    names = sorted(path.name for path in folder.path.glob("*.parquet"))
    assert len(names) == 5
    for name in names:
        assert (folder.path / name).read_bytes() == (anew.path / name).read_bytes(), name


def test_the_time_moves_the_reading_into_its_stage_and_is_then_stated(folder: TestFolder) -> None:
    made = correct(folder, SECOND, event_time="2026-03-14T09:01:30Z")
    assert [(one.field, one.value) for one in made] == [
        ("measured_source", "stated"),
        ("event_time", "2026-03-14T09:01:30Z"),
    ]
    row = readings(folder)[SECOND]
    assert (row["measured_at"], row["stage_label"], row["u_time_s"]) == (at(90), "50 W", 5)


def test_the_offset_of_a_source_moves_its_log_and_is_then_given(folder: TestFolder) -> None:
    correct(folder, SOURCE, clock_offset_s=-5.0)
    seal_all([folder], None)
    [sample] = pq.read_table(folder.parquet("samples")).to_pylist()
    assert (sample["event_time"], sample["sampled_at"]) == (at(10), at(5))
    [summary] = sealed_rows(folder)["summary"]
    assert summary["clock_offsets"] == "bike=-5.000 s given"


def test_a_reading_is_taken_out_and_brought_back(folder: TestFolder) -> None:
    correct(folder, READING, void=True)
    assert readings(folder)[READING]["status"] == "void"
    assert [one.now.seq for one in entries(read_journal(folder.journal)) if one.void] == [READING]
    # while it is out its fields can be corrected
    correct(folder, READING, k1_mmhg=126.0)
    correct(folder, READING, void=False)
    row = readings(folder)[READING]
    assert (row["status"], row["sbp_mmhg"]) == ("taken", 126)


@pytest.mark.parametrize(
    ("seq", "fields", "kind"),
    [
        (OPENED, {"mass_kg": 70.0}, "test_opened"),
        (REST, {"label": "seated rest"}, "stage_started"),
        (LOADED, {"event_time": "2026-03-14T09:00:55Z"}, "stage_started"),
        (MISSED, {"reason": "arm_moved"}, "reading_missed"),
        (NOTE, {"text": "cold room"}, "note_written"),
        (CLOSED, {"outcome": "stopped", "reason": "exhaustion"}, "test_closed"),
        (SECOND, {"pair_seq": float(READING), "role": "second"}, "reading_taken"),
        (MISSED, {"stage_index": 1.0}, "reading_missed"),
    ],
)
def test_what_was_entered_can_be_amended(
    seq: int, fields: dict[str, Any], kind: str, folder: TestFolder
) -> None:
    amended = correct(folder, seq, **fields)
    assert [one.field for one in amended] == list(fields)
    [outcome] = seal_all([folder], None)
    assert outcome.problem is None
    assert {one.kind for one in history(read_journal(folder.journal).events)} == {kind}
    assert [found.level for found in verify([folder])] == ["fine", *["amended"] * len(fields)]


REFUSED: dict[str, tuple[int, dict[str, Any], type[CuffwattError], str]] = {
    "no such line": (99, {"k1_mmhg": 1.0}, UsageError,
                     "line 99 is not there, and cannot be amended; give the reading_id .* --list"),
    "a negative seq": (-1, {"k1_mmhg": 1.0}, UsageError, "line -1 is not there"),
    "a sample": (SAMPLE, {"watts": 1.0}, UsageError, "line 3 is a sample of a log, and cannot be amended"),
    "a prompt": (DUE, {"fits": "no"}, UsageError, "line 4 is a reading_due, which the program wrote itself"),
    "no such field": (READING, {"k1_mmgh": 1.0}, UsageError,
                      "line 5 is a reading_taken and has no field 'k1_mmgh' to amend; did you mean k1_mmhg. "
                      "it has event_time, due_seq, k1_mmhg, .*, note, void"),
    "a number that is fixed": (READING, {"elapsed_s": 1.0}, UsageError, "has no field 'elapsed_s' to amend"),
    "void of a note": (NOTE, {"void": True}, UsageError, "has no field 'void' to amend; it has text"),
    "void and a word": (READING, {"void": "gone"}, InputError, "void = 'gone': true takes the entry out"),
    "a word for a number": (READING, {"k1_mmhg": "high"}, InputError,
                            r"does not fit it \(reading_taken.k1_mmhg = 'high': .*; nothing was written"),
    "too high": (READING, {"k1_mmhg": 900.0}, InputError, "should be less than or equal to 400"),
    "not of the list": (READING, {"arm": "third"}, InputError, "arm = 'third': should be 'left' or 'right'"),
    "a needed field": (MISSED, {"reason": None}, InputError, "reason = None: should be"),
    "no number": (READING, {"k1_mmhg": float("nan")}, UsageError, "amend: value.*nothing was written"),
    "said already": (READING, {"k1_mmhg": 120.0}, UsageError, "line 5 says k1_mmhg 120 already; nothing was"),
    "not void": (READING, {"void": False}, UsageError, "line 5 says void false already"),
    "before the test": (READING, {"event_time": "2026-03-14T08:59:00Z"}, InputError,
                        "event_time 2026-03-14T08:59:00.000000Z lies outside the test, which ran from "
                        "2026-03-14T09:00:00.000000Z to 2026-03-14T09:02:00.000000Z; write a time within"),
    "after the test": (READING, {"last_sound_at": "2026-03-14T09:03:00Z"}, InputError, "lies outside the"),
    "a stage before another": (LOADED, {"event_time": "2026-03-14T09:00:00Z"}, InputError,
                               "stage 50 W would start .* change places with stage rest of"),
    "a stage behind another": (REST, {"event_time": "2026-03-14T09:01:30Z"}, InputError,
                               "change places with stage 50 W of"),
    "no such prompt": (READING, {"due_seq": 5.0}, InputError, "due_seq 5 is not a prompt .*; write one of 4"),
    "paired with itself": (READING, {"pair_seq": 5.0}, InputError, "pair_seq 5 is not another reading"),
    "no such stage": (MISSED, {"stage_index": 7.0}, InputError, "stage_index 7 is not a stage .* 0, 1"),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_a_refusal_says_why_and_writes_nothing(name: str, folder: TestFolder) -> None:
    seq, fields, error, said = REFUSED[name]
    before = folder.journal.read_bytes()
    with pytest.raises(error, match=said):
        correct(folder, seq, **fields)
    assert folder.journal.read_bytes() == before


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"why": ""}, "the reason is empty; say in a few words why"),
        ({"why": "  "}, "the reason is empty"),
        ({"why": "x" * 3000}, "amend: reason = .*; nothing was written"),
        ({"who": "Anna"}, "amend: by = 'Anna': a code is wanted, not a name"),
        ({"who": ""}, "a code is wanted, not a name"),
    ],
)
def test_who_and_why_are_wanted(more: dict[str, str], said: str, folder: TestFolder) -> None:
    before = folder.journal.read_bytes()
    with pytest.raises(UsageError, match=said):
        correct(folder, READING, k1_mmhg=126.0, **more)
    assert folder.journal.read_bytes() == before


def test_a_journal_that_another_holds_is_left_alone(folder: TestFolder) -> None:
    with Journal.reopen(folder.journal, to_amend=True):
        before = folder.journal.read_bytes()
        with pytest.raises(JournalLocked, match="another recorder has it open"):
            correct(folder, READING, k1_mmhg=126.0)
        assert folder.journal.read_bytes() == before


def test_a_damaged_journal_is_left_alone(folder: TestFolder) -> None:
    data = bytearray(folder.journal.read_bytes())
    data[200] ^= 1
    folder.journal.write_bytes(bytes(data))
    with pytest.raises(JournalDamaged, match="line 1, byte 0"):
        correct(folder, READING, k1_mmhg=126.0)
    assert folder.journal.read_bytes() == bytes(data)


def test_a_torn_tail_is_cut_and_journalled_only_when_something_is_written(folder: TestFolder) -> None:
    whole = folder.journal.read_bytes()
    folder.journal.write_bytes(whole + b'{"seq":12,')
    with pytest.raises(UsageError):
        correct(folder, READING, k1_mmhg=120.0)
    assert folder.journal.read_bytes() == whole + b'{"seq":12,'
    [made] = correct(folder, READING, k1_mmhg=126.0)
    repaired, last = read_journal(folder.journal).events[-2:]
    assert isinstance(repaired, ev.JournalRepaired)
    assert (repaired.seq, repaired.bytes_cut, last) == (CLOSED + 1, 10, made)
    assert (folder.path / repaired.backup).read_bytes().endswith(b'{"seq":12,')


def test_a_test_that_was_never_closed_may_be_amended(tmp_path: Path) -> None:
    folder = written(tmp_path, close=False)
    correct(folder, READING, k1_mmhg=126.0)
    assert readings(folder)[READING]["sbp_mmhg"] == 126
    assert [found.level for found in verify([folder])] == ["open", "amended"]


def test_amendments_that_do_not_fit_are_mended_one_by_one(folder: TestFolder, tmp_path: Path) -> None:
    with Journal.reopen(folder.journal, to_amend=True) as journal:
        journal.append([
            ev.Amended(
                seq=CLOSED + n, event_time=NOW, elapsed_s=120.0, source="hand", target_seq=READING,
                field=field, value=value, reason="by hand", by="AB-1",
            )
            for n, (field, value) in enumerate({"k1_mmhg": "high", "arm": "third"}.items(), start=1)
        ])  # fmt: skip
    # it is passed over; the test beside it is sealed
    other = written(tmp_path / "other", test_id="U")
    bad, good = sorted(seal_all([folder, other], None), key=lambda one: one.folder is other)
    assert bad.problem is not None
    assert "amend the field again with a value that fits" in bad.problem
    assert good.problem is None
    # also back to what was entered
    correct(folder, READING, k1_mmhg=120.0)
    correct(folder, READING, arm=None)
    row = readings(folder)[READING]
    assert (row["sbp_mmhg"], row["arm"]) == (120, None)


def test_the_history_says_what_held_before_and_what_was_entered(folder: TestFolder) -> None:
    for value in (126.0, 120.0, None):
        correct(folder, READING, k1_mmhg=value)
    assert [one.words().partition(";")[0] for one in history(read_journal(folder.journal).events)] == [
        "line 5 (reading_taken): k1_mmhg 120 -> 126",
        "line 5 (reading_taken): k1_mmhg 126 -> 120, entered as 120",
        "line 5 (reading_taken): k1_mmhg 120 -> none",
    ]
    [*_, last] = verify([folder])
    assert last.words.endswith("k1_mmhg 120 -> none; by AB-1 at 2026-03-20 08:15 UTC: typed wrong")


def test_the_history_tells_also_of_a_line_that_is_not_there() -> None:
    stray = ev.Amended(
        seq=1, event_time=NOW, elapsed_s=0.0, source="amend", target_seq=77, field="k1_mmhg", value=1.0,
        reason="by hand", by="AB-1",
    )  # fmt: skip
    assert history([lines()[0], stray])[0].words().startswith("line 77 (not there): k1_mmhg none -> 1;")


def test_every_kind_says_what_of_it_can_be_amended() -> None:
    by_kind = {event.kind: amendable(event) for event in lines()}
    assert by_kind["sample"] == by_kind["reading_due"] == []
    assert by_kind["source_opened"] == ["clock_offset_s"]
    assert by_kind["test_closed"] == ["outcome", "reason", "stopped_by"]
    assert {"participant", "mass_kg"} <= set(by_kind["test_opened"])
    fixed = {
        "seq",
        "kind",
        "elapsed_s",
        "source",
        "test_id",
        "study",
        "anchor",
        "protocol",
        "limits",
        "counts",
    }
    assert not fixed & {name for names in by_kind.values() for name in names}


@pytest.mark.parametrize(
    ("value", "words"),
    [(None, "none"), (True, "true"), (148.0, "148"), (2.5, "2.5"), (3, "3"), ("left", "left"),
     (ANCHOR, "2026-03-14T09:00:00.000000Z")],
)  # fmt: skip
def test_values_in_words(value: Any, words: str) -> None:
    assert plain(value) == words


def test_what_changed_is_told_value_by_value(folder: TestFolder) -> None:
    before = rows_before(folder, read_journal(folder.journal).head)
    assert before is not None
    assert changes(before, before) == []
    correct(folder, READING, k1_mmhg=270.0)
    readings(folder)
    told = changes(before, sealed_rows(folder))
    assert {"relation": "readings", "row": "5", "column": "sbp_mmhg", "before": 120.0, "after": 270.0} in told
    # a flag that was not there before is one row
    [flag] = [one for one in told if one["row"] == "systolic_high 5"]
    assert (flag["column"], flag["before"], flag["after"]) == ("level", None, "stop")


def test_without_files_there_is_nothing_to_compare_with(
    folder: TestFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.rules.write_text("nonsense")
    assert rows_before(folder, read_journal(folder.journal).head) is None


def test_live_and_sealed_lay_the_same_over(
    folder: TestFolder, derive: Callable[..., Any], tmp_path: Path
) -> None:
    from pipeline.rules import shipped_rules

    correct(folder, READING, k1_mmhg=126.0, clarity="doubtful")
    tables = Tables(shipped_rules())
    try:
        for event in lines() + list(read_journal(folder.journal).events[-2:]):
            tables.add(event)
        tables.set_end(at(120), CLOSED + 2, closed=True)
        tables.run()
        [live] = tables.rows(f"select * from measures where reading_id = {READING}")
    finally:
        tables.close()
    sealed = readings(folder)[READING]
    for name in ("sbp_mmhg", "clarity", "used_note", "originals", "amendments"):
        assert live[name] == sealed[name], name
