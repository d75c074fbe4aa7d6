"""The journal written and read; damage and tears are made by hand and must be named."""

from __future__ import annotations

import hashlib
import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.archive import Disk
from pipeline.errors import (
    ArchiveError,
    JournalClosed,
    JournalDamaged,
    JournalError,
    JournalExists,
    JournalLocked,
)
from pipeline.events import (
    KINDS,
    Amended,
    Event,
    FlagRaised,
    JournalRepaired,
    NoteWritten,
    Sample,
    TestClosed,
    TestOpened,
)
from pipeline.journal import SAMPLES_SYNC_S, SYNCED_KINDS, Journal, iter_events, must_sync, read_journal

NINE = datetime(2025, 3, 4, 9, 0, tzinfo=UTC)
QUICK = Disk(fsync=lambda fd: None)  # hundreds of reopened journals; what is synced is tested apart


def common(seq: int) -> dict:
    return {
        "seq": seq,
        "event_time": NINE + timedelta(seconds=seq),
        "elapsed_s": float(seq),
        "source": "invented",
    }


def opened(seq: int = 0) -> TestOpened:
    return TestOpened(
        **common(seq),
        mode="live",
        anchor=NINE,
        test_id="T1",
        study="S1",
        participant="P-07",
        rules_digest="0",
        software="cuffwatt 0",
    )


def sample(seq: int) -> Sample:
    return Sample(**common(seq), watts=100.5)


def note(seq: int, text: str = "J* ég 漢 👍 \u2028\r\x00 end") -> NoteWritten:
    return NoteWritten(**common(seq), text=text)


def closed(seq: int, **counts: int) -> TestClosed:
    return TestClosed(**common(seq), outcome="completed", counts=counts)


def amended(seq: int) -> Amended:
    return Amended(**common(seq), target_seq=1, field="text", value="x", reason="typing", by="O-1")


def sealed(*objects: dict) -> bytes:
    """A journal of these objects with the chain made here, byte by byte as the format says."""
    data = b""
    for fields in objects:
        data += json.dumps(fields, separators=(",", ":")).encode()[:-1] + b',"chain":"'
        data += hashlib.sha256(data).hexdigest()[:16].encode() + b'"}\n'
    return data


def as_fields(event: Event) -> dict:
    return json.loads(event.model_dump_json(exclude_none=True))


def write(path: Path, *events: Event, disk: Disk = QUICK) -> bytes:
    with Journal.create(path, disk) as journal:
        journal.append(events)
    return path.read_bytes()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.jsonl"


# --- what a line looks like


def test_a_line_has_the_fields_in_order_and_ends_in_the_chain(path):
    data = write(path, opened(), sample(1))
    first, second = data.splitlines(keepends=True)
    expected = (
        b'{"seq":1,"kind":"sample","event_time":"2025-03-04T09:00:01.000000Z","elapsed_s":1.0,'
        b'"source":"invented","watts":100.5,"chain":"'
    )
    digits = hashlib.sha256(first + expected).hexdigest()[:16].encode()
    assert second == expected + digits + b'"}\n'
    assert first.startswith(b'{"seq":0,"kind":"test_opened","event_time":"2025-03-04T09:00:00.000000Z",')


def test_the_chain_is_that_of_an_independent_computation(path):
    events = [opened(), sample(1), note(2, "plain"), sample(3)]
    assert write(path, *events) == sealed(*map(as_fields, events))


@given(st.lists(st.one_of(st.floats(0, 400), st.text(max_size=40)), max_size=12))
def test_what_is_appended_is_read_back(tmp_path_factory, contents):
    path = tmp_path_factory.mktemp("journal") / "journal.jsonl"
    events: list[Event] = [opened()]
    for seq, content in enumerate(contents, start=1):
        if isinstance(content, float):
            events.append(Sample(**common(seq), heart_rate_bpm=content))
        else:
            events.append(note(seq, content))
    with Journal.create(path, QUICK) as journal:
        journal.append(events[:1])
        journal.append(events[1:])
        assert (journal.next_seq, journal.last_elapsed_s) == (len(events), float(len(contents)))
        read = read_journal(path)
        assert read.head == journal.head
        assert read.counts == journal.counts
    assert list(iter_events(path)) == events
    assert list(read.events) == [event for event in events if event.kind != "sample"]
    assert read.samples == sum(isinstance(content, float) for content in contents)


def test_what_a_reader_is_told(path):
    data = write(path, opened(), sample(1), sample(2), note(3), sample(4))
    read = read_journal(path)
    assert read.data == data
    assert (read.lines, read.last_seq, read.samples, read.torn_tail, read.rescues) == (5, 4, 3, b"", ())
    assert read.counts == {"test_opened": 1, "sample": 3, "note_written": 1}
    assert read.opened == opened()
    assert read.head == data[-19:-3].decode()
    assert read.as_of == NINE + timedelta(seconds=4)
    assert (read.closed, read.end, read.plain) == (False, None, True)


def test_a_closed_test_says_so(path):
    end = closed(3, test_opened=1, sample=2)
    write(path, opened(), sample(1), sample(2), end)
    read = read_journal(path)
    assert read.closed
    assert read.end == end


# --- the writer


def test_a_test_that_is_there_is_never_overwritten(path):
    data = write(path, opened())
    with pytest.raises(JournalExists, match="An existing test is never overwritten"):
        Journal.create(path)
    assert path.read_bytes() == data


def test_a_journal_that_cannot_be_made_says_so(tmp_path):
    with pytest.raises(
        ArchiveError, match=r"cannot be written \(No such file or directory\); check the rights"
    ):
        Journal.create(tmp_path / "nowhere" / "journal.jsonl")


def test_a_journal_has_one_writer(path):
    with Journal.create(path) as journal:
        journal.append([opened()])
        with pytest.raises(JournalLocked, match="another recorder has it open; end that one first"):
            Journal.reopen(path)
        journal.append([sample(1)])
    with Journal.reopen(path) as journal:
        assert journal.next_seq == 2


def test_a_journal_removed_while_it_is_made_is_not_taken_by_two(path, monkeypatch):
    def refuse(*_: object) -> None:
        raise BlockingIOError

    monkeypatch.setattr("fcntl.flock", refuse)
    with pytest.raises(JournalLocked):
        Journal.create(path)


def test_a_batch_is_one_write_of_whole_lines(path):
    writes = []

    def write_whole(fd: int, data: bytes) -> int:
        writes.append(data)
        return os.write(fd, data)

    with Journal.create(path, Disk(write=write_whole)) as journal:
        journal.append([opened(), sample(1)])
        journal.append([])
        journal.append([sample(2)])
    assert [data.count(b"\n") for data in writes] == [2, 1]
    assert all(data.endswith(b"\n") for data in writes)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ([sample(2)], "sample has seq 2 and elapsed_s 2.0; seq 1 and the pipeline time are wanted"),
        ([sample(1), sample(3)], "sample has seq 3 .*; seq 2 and"),
        ([sample(1).model_copy(update={"seq": None})], "sample has seq None"),
        ([sample(1).model_copy(update={"elapsed_s": None})], "sample has seq 1 and elapsed_s None"),
        ([opened(1)], "test_opened at seq 1; a journal begins with its one test_opened"),
        ([closed(1)], r"test_closed counts \{\}; \{'test_opened': 1\} came before it"),
        ([sample(1), closed(2, test_opened=1, sample=2)], "test_closed counts .*'sample': 2"),
    ],
)
def test_a_wrong_batch_is_refused_whole(path, wrong, words):
    with Journal.create(path, QUICK) as journal:
        journal.append([opened()])
        with pytest.raises(ValueError, match=words):
            journal.append(wrong)
        assert (journal.next_seq, journal.counts) == (1, {"test_opened": 1})
        journal.append([sample(1)])
    assert list(iter_events(path)) == [opened(), sample(1)]


def test_a_journal_begins_with_its_opening(path):
    with (
        Journal.create(path) as journal,
        pytest.raises(ValueError, match="sample at seq 0; a journal begins"),
    ):
        journal.append([sample(0)])


def test_nothing_follows_a_closed_test(path):
    with Journal.create(path) as journal:
        journal.append([opened(), closed(1, test_opened=1)])
        assert journal.closed
        with pytest.raises(JournalClosed, match="the test was closed, nothing may follow; correct an entry"):
            journal.append([note(2)])
    with pytest.raises(JournalClosed, match="nothing may follow") as caught:
        Journal.reopen(path)
    assert (caught.value.line, caught.value.offset) == (3, path.stat().st_size)
    with Journal.create(path.with_name("b.jsonl")) as journal, pytest.raises(JournalClosed):
        journal.append([opened(), closed(1, test_opened=1), note(2)])


def test_a_closed_test_can_still_be_corrected(path):
    write(path, opened(), note(1), closed(2, test_opened=1, note_written=1))
    with path.open("ab") as file:
        file.write(b'{"seq":3')
    with Journal.reopen(path, QUICK, to_amend=True) as journal:
        repaired = JournalRepaired(
            **common(3), bytes_cut=journal.repair.bytes_cut, backup=journal.repair.backup
        )
        journal.append([repaired, amended(4)])
        with pytest.raises(JournalClosed):
            journal.append([note(5)])
    read = read_journal(path)
    assert read.closed
    assert read.events[-2:] == (repaired, amended(4))


def test_the_kinds_that_are_synced_at_once():
    entries = {"reading_taken", "reading_missed", "exertion_rated", "symptom_noted", "sign_noted"}
    entries |= {"note_written", "cuff_changed", "amended", "flag_acknowledged"}
    prompts = {"reading_due", "prompt_late", "prompt_superseded"}
    stages = {"stage_started", "stage_extended"}
    ends = {"test_opened", "test_resumed", "journal_repaired", "test_closed"}
    assert entries | prompts | stages | ends == SYNCED_KINDS
    waiting = {"sample", "line_rejected", "source_opened", "source_lost", "source_found"}
    assert set(KINDS) - SYNCED_KINDS == waiting | {"clock_stepped", "flag_raised"}
    flag = FlagRaised(**common(2), code="rest_short", level="check", target_seq=0)
    assert not must_sync([sample(1), flag])
    assert must_sync([sample(1), note(2)])
    assert not must_sync([])
    assert SAMPLES_SYNC_S == 0.9


# --- going on after a crash


def test_reopening_goes_on_where_it_ended(path):
    write(path, opened(), sample(1), note(2))
    with Journal.reopen(path) as journal:
        assert (journal.next_seq, journal.last_elapsed_s, journal.repair) == (3, 2.0, None)
        assert journal.found.events == (opened(), note(2))
        assert journal.head == read_journal(path).head
        journal.append([sample(3), closed(4, test_opened=1, sample=2, note_written=1)])
    assert read_journal(path).lines == 5


def test_a_journal_cut_at_any_byte_is_repaired_and_goes_on(path, tmp_path):
    events = [opened(), sample(1), note(2), sample(3)]
    data = write(path, *events)
    starts = [0, *(n + 1 for n, byte in enumerate(data) if byte == 0x0A)]
    for cut in range(len(data)):
        folder = tmp_path / str(cut)
        folder.mkdir()
        torn = folder / "journal.jsonl"
        torn.write_bytes(data[:cut])
        whole = sum(start <= cut for start in starts) - 1
        tail = data[starts[whole] : cut]
        with Journal.reopen(torn, QUICK) as journal:
            assert journal.next_seq == whole
            if tail:
                assert journal.repair.bytes_cut == len(tail)
                assert (folder / journal.repair.backup).read_bytes() == tail
            else:
                assert journal.repair is None
            journal.append([*events[whole:], note(4)])
        assert list(iter_events(torn)) == [*events, note(4)]


@pytest.mark.parametrize("tail", [b"\x00" * 4096, b'{"seq":2,"ki\x00\x00\x00', "é".encode()[:1], b"\xff"])
def test_a_tail_of_nuls_or_of_half_a_character_is_reported_and_cut(path, tail):
    data = write(path, opened(), sample(1))
    path.write_bytes(data + tail)
    read = read_journal(path)
    assert (read.data, read.torn_tail, read.plain) == (data, tail, False)
    assert path.read_bytes() == data + tail, "reading never repairs"
    assert [p.name for p in path.parent.iterdir()] == ["journal.jsonl"]
    with Journal.reopen(path) as journal:
        assert journal.repair.bytes_cut == len(tail)
        assert (path.parent / journal.repair.backup).read_bytes() == tail
        journal.append([note(2)])
    assert list(iter_events(path)) == [opened(), sample(1), note(2)]


def test_a_second_tear_at_the_same_place_keeps_both_backups(path):
    data = write(path, opened())
    for tail in (b"one", b"two"):
        path.write_bytes(data + tail)
        with Journal.reopen(path, QUICK) as journal:
            assert (path.parent / journal.repair.backup).read_bytes() == tail
    assert len(list(path.parent.glob("*.bak"))) == 2


def test_the_tail_is_kept_before_it_is_cut(path):
    data = write(path, opened())
    path.write_bytes(data + b"torn")

    def refuse(fd: int, size: int) -> None:
        raise OSError(5, "Input/output error")

    with pytest.raises(ArchiveError, match=r"cannot be written \(Input/output error\)"):
        Journal.reopen(path, Disk(truncate=refuse))
    assert path.read_bytes() == data + b"torn"
    assert [p.read_bytes() for p in path.parent.glob("*.bak")] == [b"torn"]
    Journal.reopen(path).close()  # the lock was let go


def test_a_journal_that_is_not_there_or_not_a_file_says_so(tmp_path):
    for use in (Journal.reopen, read_journal):
        with pytest.raises(JournalError, match="no journal there; give a test that was recorded or joined"):
            use(tmp_path / "journal.jsonl")
    with pytest.raises(ArchiveError, match=r"cannot be written \(Is a directory\)"):
        Journal.reopen(tmp_path)
    with pytest.raises(JournalError, match=r"cannot be read \(Is a directory\); check the file's rights"):
        read_journal(tmp_path)


# --- damage


def test_every_flipped_bit_is_named_on_its_line(path):
    data = write(path, opened(), sample(1), note(2))
    flipped = bytearray(data)
    starts = [0, *(n + 1 for n, byte in enumerate(data) if byte == 0x0A)]
    for at in range(len(data)):
        line = data.count(b"\n", 0, at) + 1
        for bit in range(8):
            flipped[at] = data[at] ^ (1 << bit)
            path.write_bytes(flipped)
            if at == len(data) - 1:  # without its newline the last line is a torn tail
                read = read_journal(path)
                assert (read.lines, read.torn_tail) == (2, bytes(flipped[starts[2] :]))
                continue
            with pytest.raises(JournalDamaged) as caught:
                read_journal(path)
            assert (caught.value.path, caught.value.line) == (path, line)
            assert caught.value.offset == starts[line - 1]
        flipped[at] = data[at]


def test_damage_names_file_offset_and_line_and_stops_the_writer(path):
    data = write(path, opened(), sample(1), sample(2))
    path.write_bytes(data.replace(b"100.5", b"180.5", 1))
    second = data.index(b"\n") + 1
    words = (
        rf"journal.jsonl: line 2, byte {second}: the line is not what was written .*; restore the file from"
    )
    with pytest.raises(JournalDamaged, match=words):
        read_journal(path)
    before = path.read_bytes()
    with pytest.raises(JournalDamaged, match=words):
        Journal.reopen(path)
    assert path.read_bytes() == before


def test_a_line_taken_out_is_damage(path):
    first, _, third = write(path, opened(), sample(1), sample(2)).splitlines(keepends=True)
    path.write_bytes(first + third)
    with pytest.raises(JournalDamaged, match="line 2, "):
        read_journal(path)


@pytest.mark.parametrize(
    ("second", "words"),
    [
        (as_fields(sample(2)), "line 2, byte .*: a line beginning with seq 1, kind and event_time is wanted"),
        (dict(reversed(as_fields(note(1)).items())), "beginning with seq 1, kind and event_time is wanted"),
    ],
)
def test_a_line_out_of_place_is_damage_though_its_chain_holds(path, second, words):
    path.write_bytes(sealed(as_fields(opened()), second, as_fields(sample(2))))
    with pytest.raises(JournalDamaged, match=words):
        read_journal(path)


def test_an_event_of_another_version_is_named(path):
    path.write_bytes(sealed(as_fields(opened()), as_fields(note(1)) | {"colour": "red"}))
    words = "line 2, .*: seq 1 is no event of journal version 1 .*unknown key.*; read it with the version of"
    with pytest.raises(JournalError, match=words):
        read_journal(path)
    path.write_bytes(sealed(as_fields(opened()), as_fields(note(1)) | {"kind": "dreamt"}))
    with pytest.raises(JournalError, match="seq 1 is no event of journal version 1"):
        read_journal(path)


def test_a_sample_with_a_wrong_field_is_found_where_samples_are_read(path):
    path.write_bytes(
        sealed(as_fields(opened()), as_fields(sample(1)) | {"watts": "many"}, as_fields(note(2)))
    )
    assert read_journal(path).samples == 1
    with pytest.raises(JournalError, match=r"line 2, .*: seq 1 is no event of journal version 1 .*watts"):
        list(iter_events(path))


def test_a_journal_that_does_not_begin_with_its_opening_is_refused(path):
    path.write_bytes(sealed(as_fields(note(0))))
    with pytest.raises(JournalError, match="does not begin with test_opened; give the journal of a test"):
        read_journal(path)


@pytest.mark.parametrize("content", [b"", b'{"seq":0,"kind":"test_op'])
def test_a_journal_without_a_whole_line_can_only_be_begun(path, content):
    path.write_bytes(content)
    with pytest.raises(JournalError, match="holds no whole line, so the test never began; move its"):
        read_journal(path)
    with pytest.raises(JournalError, match="the test never began"):
        assert read_journal(path, may_be_empty=True).opened
    with Journal.reopen(path) as journal:
        journal.append([opened()])
    assert list(iter_events(path)) == [opened()]


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"test_opened": 1, "sample": 2}, "test_closed counts 2 sample, but 1 came before it"),
        ({"test_opened": 1}, "test_closed counts 0 sample, but 1 came before it"),
        ({"test_opened": 1, "sample": 1, "amended": 1}, "counts 1 amended, but 0 came before it"),
    ],
)
def test_counts_that_do_not_agree_are_damage(path, counts, words):
    events = [opened(), sample(1), closed(2, **counts)]
    path.write_bytes(sealed(*map(as_fields, events)))
    with pytest.raises(JournalDamaged, match=f"line 3, .*{words}"):
        read_journal(path)


@pytest.mark.parametrize("late", [sample(2), note(2), closed(2, test_opened=1, test_closed=1)])
def test_an_event_after_the_closing_is_damage(path, late):
    path.write_bytes(sealed(*map(as_fields, [opened(), closed(1, test_opened=1), late])))
    with pytest.raises(JournalDamaged, match=f"line 3, .*{late.kind} stands after test_closed"):
        read_journal(path)


def test_numbers_hold_over_many_thousand_lines(path):
    count = 9000  # the heads of samples are made in blocks of 4096
    with Journal.create(path, QUICK) as journal:
        journal.append([opened(), *(sample(seq) for seq in range(1, count))])
        journal.append([note(count)])
    read = read_journal(path)
    assert (read.samples, read.last_seq, len(read.events)) == (count - 1, count, 2)
