"""Every state in which a test can be found, and that looking changes nothing."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline import events as ev
from pipeline.archive import Archive, TestFolder
from pipeline.journal import Journal, read_journal
from pipeline.rules import load_rules
from pipeline.seal import seal_all
from pipeline.verify import Finding, strays, verify

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


def written(archive: Archive, test_id: str = "T") -> TestFolder:
    """A rest of a minute with one reading, closed, not sealed."""
    fields = {"source": "test", "elapsed_s": 0.0}
    events: list[ev.Event] = [
        ev.TestOpened(
            seq=0, event_time=ANCHOR, mode="join", anchor=ANCHOR, test_id=test_id, study="S",
            participant="P-01", rules_digest="0" * 16, software="test", **fields,
        ),
        ev.StageStarted(seq=1, event_time=ANCHOR, stage_index=0, label="rest", phase="rest",
                        position="seated", by="schedule", **fields),
        ev.ReadingTaken(seq=2, event_time=ANCHOR + timedelta(seconds=30), k1_mmhg=120.0, k5_mmhg=80.0,
                        measured_source="stated", source="test", elapsed_s=30.0),
    ]  # fmt: skip
    end = ev.TestClosed(seq=3, event_time=ANCHOR + timedelta(seconds=60), elapsed_s=60.0, source="test",
                        outcome="completed", counts=dict(Counter(e.kind for e in events)))  # fmt: skip
    folder = archive.create("S", test_id)
    with Journal.create(folder.journal) as journal:
        journal.append([*events, end])
        journal.sync()
    return folder


@pytest.fixture(scope="module")
def sealed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("sealed")
    [outcome] = seal_all([written(Archive(root))], None)
    assert outcome.problem is None
    return root


@pytest.fixture
def sealed(sealed_once: Path, tmp_path: Path) -> TestFolder:
    """A sealed test of one's own."""
    shutil.copytree(sealed_once, tmp_path / "archive")
    return Archive(tmp_path / "archive").test_folder("S", "T")


def levels(folder: TestFolder) -> list[str]:
    return [finding.level for finding in verify([folder])]


def words(folder: TestFolder) -> str:
    return "\n".join(finding.words for finding in verify([folder]))


def test_a_test_in_order_is_fine(sealed: TestFolder) -> None:
    [found] = verify([sealed])
    head = read_journal(sealed.journal).head
    assert found == Finding("S", "T", "fine", f"4 lines, chain {head}, sealed files agree", 4, head)
    assert not found.wrong


def test_a_corrected_test_is_fine_once_it_is_sealed(sealed: TestFolder) -> None:
    with Journal.reopen(sealed.journal, to_amend=True) as journal:
        amended = ev.Amended(
            seq=4, event_time=ANCHOR, elapsed_s=60.0, source="amend", target_seq=2, field="k1_mmhg",
            value=122.0, reason="typed wrong", by="AB-1",
        )  # fmt: skip
        journal.append([amended])
    assert levels(sealed) == ["stale", "amended"]
    assert "made from another journal, other rules or another version; run cuffwatt seal" in words(sealed)
    seal_all([sealed], None)
    fine, told = verify([sealed])
    assert (fine.level, told.level, fine.wrong, told.wrong) == ("fine", "amended", False, False)
    assert told.words == (
        "line 2 (reading_taken): k1_mmhg 120 -> 122; by AB-1 at 2026-03-14 09:00 UTC: typed wrong"
    )


def flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(bytes(data))


def cut(path: Path, by: int) -> None:
    path.write_bytes(path.read_bytes()[:-by])


def grow(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b'{"seq":4,"kind"')


def empty(path: Path) -> None:
    path.write_bytes(b"")


def without_end(path: Path) -> None:
    lines = path.read_bytes().splitlines(True)
    path.write_bytes(b"".join(lines[:-1]))


@pytest.mark.parametrize(
    ("damage", "found", "said"),
    [
        (
            lambda path: flip(path, 200),
            ["damaged"],
            "journal.jsonl: line 1, byte 0: the line is",
        ),
        (empty, ["damaged"], "holds no whole line"),
        (
            grow,
            ["torn"],
            "15 bytes after the last whole line were never confirmed; they are cut",
        ),
        # cut in the last line: the test was not closed, and the sealed files are of more than is there
        (lambda path: cut(path, 3), ["torn", "open", "stale"], "interrupted or is still running"),
        (without_end, ["open", "stale"], "the test was not closed"),
        (lambda path: path.unlink(), ["damaged"], "no journal there"),
    ],
)
def test_what_is_wrong_with_a_journal_is_named(
    damage: Callable[[Path], None], found: list[str], said: str, sealed: TestFolder
) -> None:
    damage(sealed.journal)
    before = {path: path.read_bytes() for path in sealed.path.iterdir()}
    assert levels(sealed) == found
    assert said in words(sealed)
    assert all(finding.wrong for finding in verify([sealed]))
    # nothing was repaired
    assert {path: path.read_bytes() for path in sealed.path.iterdir()} == before


def test_missing_and_broken_files_are_stale_and_can_be_made_again(sealed: TestFolder) -> None:
    sealed.parquet("flags").unlink()
    sealed.parquet("stages").unlink()
    assert levels(sealed) == ["stale"]
    assert "stages.parquet, flags.parquet not there; run cuffwatt seal" in words(sealed)
    sealed.parquet("flags").write_bytes(b"PAR1 and no more")
    sealed.parquet("stages").write_bytes(b"")
    assert levels(sealed) == ["stale"]
    assert "stages.parquet cannot be read; run cuffwatt seal" in words(sealed)
    for path in sealed.path.glob("*.parquet"):
        path.unlink()
    assert f"{sealed.path}: not sealed yet; run cuffwatt seal" in words(sealed)
    seal_all([sealed], None)
    assert levels(sealed) == ["fine"]


def test_rows_that_cannot_be_read_under_a_right_stamp_are_stale(sealed: TestFolder) -> None:
    import pyarrow.parquet as pq

    path = sealed.parquet("readings")
    table = pq.read_table(path)
    pq.write_table(table, path, compression="ZSTD")
    assert levels(sealed) == ["fine"]
    # the first page begins after the magic bytes; its stamp stands at the end
    data = bytearray(path.read_bytes())
    data[4:60] = bytes(56)
    path.write_bytes(bytes(data))
    assert levels(sealed) == ["stale"]
    assert "readings.parquet cannot be read" in words(sealed)


def test_another_set_of_rules_makes_it_stale(sealed: TestFolder, tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text("[settings]\nk5_floor_mmhg = 30.0\n")
    seal_all([sealed], load_rules(lab))
    assert levels(sealed) == ["stale"]
    shutil.copy(lab, sealed.rules)
    assert levels(sealed) == ["fine"]
    sealed.rules.write_text("nonsense")
    assert levels(sealed) == ["damaged"]
    assert "rules.toml: not valid TOML" in words(sealed)


def test_a_folder_named_after_another_test_is_damaged(sealed: TestFolder) -> None:
    sealed.path.rename(sealed.path.with_name("test=U"))
    [found] = verify(Archive(sealed.path.parents[1]).tests())
    assert (found.level, found.test_id) == ("damaged", "U")
    assert "move it to study=S/test=T" in found.words


def test_each_test_is_looked_at_in_the_order_given(sealed: TestFolder) -> None:
    archive = Archive(sealed.path.parents[1])
    other = written(archive, "A")
    assert [(found.test_id, found.level) for found in verify([sealed, other])] == [
        ("T", "fine"),
        ("A", "stale"),
    ]
    flip(other.journal, 100)
    assert levels(other) == ["damaged"]
    assert levels(sealed) == ["fine"]


def test_journals_that_no_command_would_see_are_strays(sealed: TestFolder) -> None:
    root = sealed.path.parents[1]
    assert strays(root) == []
    shutil.copytree(sealed.path, root / "study=S" / "copy of T")
    shutil.copytree(sealed.path, root / "backup" / "test=T")
    [backup, copy] = strays(root)
    assert (backup.study, backup.test_id, backup.level, backup.wrong) == ("backup", "test=T", "stray", True)
    assert "copy of T: holds a journal but is not named study=S/test=T" in copy.words
    # of a study only its own
    assert [found.test_id for found in strays(root / "study=S")] == ["copy of T"]
    assert strays(sealed.path) == []
