"""A setup as people write it: what it gives, and what is said about every way to get it wrong."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from adapters.csv_log import read_log
from adapters.log_format import PLAIN, load_format
from adapters.reading_sheet import read_sheet
from adapters.setup_file import CsvSource, SerialSource, Setup, SheetSource, load_setup, read_toml
from pipeline.errors import InputError
from pipeline.events import Sample
from pipeline.protocol import parse_protocol

FIXTURES = Path(__file__).parents[2] / "fixtures"
ANCHOR = datetime(2026, 3, 14, 8, 30, 5, tzinfo=UTC)
HEAD = '[test]\nstudy = "S1"\nparticipant = "P-07"\n'
STAIRS = """
[protocol]
name = "stairs"
[[protocol.stage]]
label = "rest"
phase = "rest"
minutes = 8
[[protocol.repeat]]
start = 50
step = 50
minutes = 3
until = 150
"""
BIKE = '[sources.bike]\nkind = "csv"\npath = "bike.csv"\n'
SHEET = '[sources.sheet]\nkind = "sheet"\npath = "sheet.csv"\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "test.toml"
    path.write_text(text, encoding="utf-8")
    return path


def loaded(folder: Path, text: str) -> Setup:
    return load_setup(written(folder, text))


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as error:
        loaded(folder, text)
    said = str(error.value)
    assert str(folder) in said  # every refusal names the file
    return said.replace(str(folder) + "/", "")


WHOLE = (
    HEAD
    + """
visit = 2
observer = "AB-1"
intent = "maximal"
purpose = "study"
started = 2026-03-14T09:30:00+01:00
timezone = "Europe/Berlin"
ergometer_posture = "upright"
rpe_scale = "6-20"
[participant]
age_years = 45
sex = "female"
height_cm = 168
mass_kg = 64.5
arm_circumference_cm = 29
medication = ["other", "beta_blocker"]
pacemaker = false
[cuff]
bladder_length_cm = 24
bladder_width_cm = 12.5
gauge_step_mmhg = 2
gauge_checked_on = 2026-01-31
[staff]
people = 2
[limits]
heart_rate_bpm = 170
[rules]
file = "rules/mine.toml"
"""
    + STAIRS
    + BIKE
    + 'format = "bike.toml"\nclock_offset_s = -12\n'
    + '[sources.strap]\nkind = "serial"\nport = "/dev/ttyUSB0"\nbaud = 4800\n'
    + SHEET
    + 'time_means = "stage_end"\n'
    + '[measures]\nheart_rate_bpm = ["strap", "bike"]\nwatts = ["bike"]\n'
)


def test_a_whole_setup(tmp_path: Path) -> None:
    setup = loaded(tmp_path, WHOLE)
    opened = setup.test_opened(mode="join", anchor=ANCHOR, rules_digest="ab", software="1")
    assert opened.model_dump(exclude={"protocol", "limits"}, exclude_none=True) == {
        "kind": "test_opened",
        "event_time": "2026-03-14T08:30:05.000000Z",
        "source": "setup",
        "journal_version": 1,
        "mode": "join",
        "anchor": "2026-03-14T08:30:05.000000Z",
        "test_id": "P-07-20260314-0930",  # the local time of the start
        "study": "S1",
        "participant": "P-07",
        "visit": 2,
        "purpose": "study",
        "intent": "maximal",
        "age_years": 45,
        "sex": "female",
        "height_cm": 168,
        "mass_kg": 64.5,
        "arm_circumference_cm": 29,
        "medication": "beta_blocker+other",
        "pacemaker": False,
        "ergometer_posture": "upright",
        "rpe_scale": "6-20",
        "observer": "AB-1",
        "people": 2,
        "bladder_length_cm": 24,
        "bladder_width_cm": 12.5,
        "gauge_step_mmhg": 2,
        "gauge_checked_on": date(2026, 1, 31),
        "rules_digest": "ab",
        "software": "1",
        "timezone": "Europe/Berlin",
    }
    assert opened.protocol is not None
    assert [stage.label for stage in opened.protocol.stages] == ["rest", "50 W", "100 W", "150 W"]
    assert opened.limits is not None
    assert opened.limits.heart_rate_bpm == 170
    assert setup.rules_file == tmp_path / "rules/mine.toml"
    assert setup.text == WHOLE
    bike, strap, sheet = setup.sources.values()
    assert isinstance(bike, CsvSource)
    assert (bike.path, bike.format, bike.clock_offset_s) == (
        tmp_path / "bike.csv",
        tmp_path / "bike.toml",
        -12,
    )
    assert isinstance(strap, SerialSource)
    assert (strap.address, strap.baud, strap.parity) == ("/dev/ttyUSB0", 4800, "none")
    assert isinstance(sheet, SheetSource)
    assert (sheet.path, sheet.time_means) == (tmp_path / "sheet.csv", "stage_end")


def test_the_least_setup(tmp_path: Path) -> None:
    setup = loaded(tmp_path, HEAD)
    opened = setup.test_opened(mode="live", anchor=ANCHOR, rules_digest="ab", software="1")
    assert opened.test_id == "P-07-20260314-0830"  # no start, no zone: the anchor in UTC
    assert opened.protocol is None
    assert opened.limits is None
    assert opened.medication is None
    assert setup.stage_starts(ANCHOR) == {}


def test_the_anchor_is_shown_in_the_time_zone(tmp_path: Path) -> None:
    setup = loaded(tmp_path, HEAD + 'timezone = "Asia/Tokyo"\n')
    assert setup.test_id(ANCHOR) == "P-07-20260314-1730"
    assert setup.started(ANCHOR).isoformat() == "2026-03-14T17:30:05+09:00"


def test_an_id_and_a_start_as_text(tmp_path: Path) -> None:
    setup = loaded(tmp_path, HEAD + 'id = "T_1"\nstarted = "2026-03-14T09:30:00+01:00"\n')
    assert setup.test_id(ANCHOR) == "T_1"
    assert setup.started(ANCHOR) == datetime(2026, 3, 14, 8, 30, tzinfo=UTC)


def test_a_code_may_begin_with_a_hyphen_and_a_test_id_may_not(tmp_path: Path) -> None:
    setup = loaded(tmp_path, HEAD.replace("P-07", "-7"))
    opened = setup.test_opened(mode="live", anchor=ANCHOR, rules_digest="ab", software="1")
    assert opened.test_id == "7-20260314-0830"


def test_a_byte_order_mark_is_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "test.toml"
    path.write_bytes(b"\xef\xbb\xbf" + HEAD.encode())
    assert load_setup(path).test.study == "S1"


@pytest.mark.parametrize(
    ("measures", "ranks"),
    [
        (
            "",
            {
                "bike": "watts=1,cadence_rpm=1,heart_rate_bpm=1",
                "b2": "watts=2,cadence_rpm=2,heart_rate_bpm=2",
            },
        ),
        (
            '[measures]\nwatts = ["bike"]\nheart_rate_bpm = ["b2", "bike"]\n',
            {"bike": "watts=1,cadence_rpm=1,heart_rate_bpm=2", "b2": "cadence_rpm=2,heart_rate_bpm=1"},
        ),
        (
            '[measures]\nwatts = ["bike"]\ncadence_rpm = ["bike"]\nheart_rate_bpm = ["bike"]\n',
            {"bike": "watts=1,cadence_rpm=1,heart_rate_bpm=1", "b2": ""},
        ),
    ],
)
def test_ranks(tmp_path: Path, measures: str, ranks: dict[str, str]) -> None:
    # the sheet stands first and takes no rank: it has no such measure
    setup = loaded(tmp_path, HEAD + SHEET + BIKE + BIKE.replace("sources.bike", "sources.b2") + measures)
    assert {name: setup.ranks(name) for name in ("bike", "b2")} == ranks
    assert setup.ranks("sheet") == ""


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ('"none"', "none"),
        ('"other+beta_blocker"', "beta_blocker+other"),
        ('["other", "other"]', "other"),
        ('["unknown"]', "unknown"),
    ],
)
def test_medication(tmp_path: Path, text: str, kept: str) -> None:
    assert loaded(tmp_path, f"{HEAD}[participant]\nmedication = {text}\n").participant.medication == kept


class TestProtocolAndLimits:
    FILE = 'name = "file"\n[[stage]]\nphase = "exercise"\nwatts = 50\n[limits]\nrpe = 17\nsbp_mmhg = 240\n'

    def file(self, folder: Path, text: str) -> None:
        (folder / "p.toml").write_text(text, encoding="utf-8")

    def test_from_a_file_with_its_limits(self, tmp_path: Path) -> None:
        self.file(tmp_path, self.FILE)
        setup = loaded(tmp_path, HEAD + '[protocol]\nfile = "p.toml"\n')
        assert setup.protocol is not None
        assert (setup.protocol.name, setup.protocol.stage_from) == ("file", "schedule")
        assert setup.limits is not None
        assert (setup.limits.rpe, setup.limits.sbp_mmhg) == (17, 240)

    def test_the_setup_overrides_limits_as_a_whole_and_stage_from(self, tmp_path: Path) -> None:
        self.file(tmp_path, 'stage_from = "schedule"\n' + self.FILE)
        setup = loaded(
            tmp_path, HEAD + '[protocol]\nfile = "p.toml"\nstage_from = "load"\n[limits]\nrpe = 15\n'
        )
        assert setup.protocol is not None
        assert setup.protocol.stage_from == "load"
        assert setup.limits is not None
        assert (setup.limits.rpe, setup.limits.sbp_mmhg) == (15, None)

    def test_limits_inside_the_inline_protocol(self, tmp_path: Path) -> None:
        setup = loaded(tmp_path, HEAD + STAIRS + "[protocol.limits]\nminutes = 20\n")
        assert setup.limits is not None
        assert setup.limits.minutes == 20

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("[[stage]]\nphase = 'exercise'\nwatts = 50\nminutes = -3\n", "p.toml: stage 1: minutes = -3"),
            ("[[stage\n", "p.toml: not TOML:"),
            (
                "[[stage]]\nphase = 'rest'\nminutes = 8\n[limits]\nrpm = 3\n",
                "p.toml: limits.rpm: unknown key; did you mean 'rpe'?; known are heart_rate_bpm,",
            ),
            (
                "[limits]\nrpe = -1\n[[stage]]\nphase = 'rest'\nminutes = 8\n",
                "p.toml: limits: rpe = -1: should be greater than 0",
            ),
            (
                "limits = 3\n[[stage]]\nphase = 'rest'\nminutes = 8\n",
                "p.toml: limits = 3: a table is wanted; write [limits]",
            ),
            ("nam = 'x'\n", "p.toml: unknown key 'nam'"),
        ],
    )
    def test_a_wrong_file_is_named(self, tmp_path: Path, text: str, said: str) -> None:
        self.file(tmp_path, text)
        assert said in refusal(tmp_path, HEAD + '[protocol]\nfile = "p.toml"\n')

    def test_a_missing_file(self, tmp_path: Path) -> None:
        assert refusal(tmp_path, HEAD + '[protocol]\nfile = "q.toml"\n') == (
            "q.toml: no such file, a protocol file is wanted; correct protocol.file in test.toml"
        )

    def test_a_negative_duration_in_the_setup(self, tmp_path: Path) -> None:
        said = refusal(tmp_path, HEAD + STAIRS.replace("minutes = 8", "minutes = -8"))
        assert said == "test.toml: protocol: stage 1: minutes = -8: should be greater than 0"

    def test_file_and_stages(self, tmp_path: Path) -> None:
        said = refusal(tmp_path, HEAD + STAIRS.replace("name", 'file = "p.toml"\nname'))
        assert said == (
            "test.toml: protocol: file and name are both written; keep the file or write the stages here"
        )


class TestStarts:
    def setup(self, starts: str) -> str:
        start = "started = 2026-03-14T23:50:00+01:00\n"
        return HEAD + start + STAIRS.replace("[protocol]\n", f"[protocol]\nstarts = {{ {starts} }}\n")

    def test_by_label_and_number_over_midnight(self, tmp_path: Path) -> None:
        setup = loaded(tmp_path, self.setup('rest = "23:50", "50 W" = 23:58:10, 4 = "00:04:30"'))
        assert setup.starts == {0: "23:50", 1: "23:58:10", 3: "00:04:30"}
        assert setup.stage_starts(ANCHOR) == {
            0: datetime(2026, 3, 14, 22, 50, tzinfo=UTC),
            1: datetime(2026, 3, 14, 22, 58, 10, tzinfo=UTC),
            3: datetime(2026, 3, 14, 23, 4, 30, tzinfo=UTC),
        }

    @pytest.mark.parametrize(
        ("starts", "said"),
        [
            (
                '"60 W" = "23:58"',
                "'60 W' is no stage; did you mean '50 W'?; the stages are 1 'rest', 2 '50 W',",
            ),
            ('5 = "23:58"', "'5' is no stage; the stages are"),
            ('0 = "23:58"', "'0' is no stage"),
            ('rest = "soon"', "'rest': 'soon' is no time"),
            ('rest = "23:50", 1 = "23:51"', "'1' = '23:51': that stage has a start already, '23:50'"),
        ],
    )
    def test_refusals(self, tmp_path: Path, starts: str, said: str) -> None:
        assert f"test.toml: protocol.starts: {said}" in refusal(tmp_path, self.setup(starts))

    def test_a_number_is_no_time(self, tmp_path: Path) -> None:
        said = refusal(tmp_path, self.setup("rest = 23"))
        assert said == "test.toml: protocol.starts.rest = 23: should be a valid string"

    def test_a_label_that_stands_twice(self, tmp_path: Path) -> None:
        text = self.setup('rest = "23:50"') + "[[protocol.stage]]\nphase = 'rest'\nminutes = 5\n"
        assert refusal(tmp_path, text) == (
            "test.toml: protocol.starts: 'rest' is the label of 2 stages; write the stage's number"
        )

    def test_starts_that_do_not_rise(self, tmp_path: Path) -> None:
        setup = loaded(tmp_path, self.setup('"100 W" = "23:58", "50 W" = "23:59"'))
        with pytest.raises(InputError) as error:
            setup.stage_starts(ANCHOR)
        assert "stage 3 at 23:58 does not come after stage 2 at 23:59; correct one" in str(error.value)


NAMED = (
    "a code is wanted, not a name: 2 to 16 capitals, digits and hyphens with at least one digit, like P-07"
)
WANTED = "a date and time with offset, like 2026-03-14T09:30:00+01:00 is wanted"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "[test] is missing; write it"),
        ("[test]\nparticipant = 'P-07'\n", "test.study is missing; write it"),
        ("test = 3\n", "test = 3: a table is wanted; write [test]"),
        (HEAD.replace("P-07", "Anna"), f"test.participant = 'Anna': {NAMED}"),
        (HEAD.replace("P-07", "ANNA"), f"test.participant = 'ANNA': {NAMED}"),
        (HEAD + "observer = 'Bob'\n", f"test.observer = 'Bob': {NAMED}"),
        (HEAD.replace("S1", "a study"), "test.study = 'a study': letters, digits, _ and - are wanted"),
        (
            HEAD + "end_reason = 'tired'\n",
            "test.end_reason = 'tired': should be 'protocol_complete', 'exhaustion',",
        ),
        (HEAD + "visit = 0\n", "test.visit = 0: should be greater than or equal to 1"),
        (HEAD + "intent = 'hard'\n", "test.intent = 'hard': should be 'maximal', 'submaximal' or"),
        (
            HEAD + "observr = 'AB-1'\n",
            "test.observr = 'AB-1': unknown key; did you mean 'observer'?; known are",
        ),
        (HEAD + "people = 2\n", "test.people = 2: unknown key; it belongs to [staff]; known are study,"),
        (HEAD + "colour = 2\n", "test.colour = 2: unknown key; known are study,"),
        (HEAD + "[cuf]\n", "cuf = {}: unknown key; did you mean 'cuff'?; known are test, participant,"),
        (HEAD + "[limits]\nhr = 170\n", "limits.hr = 170: unknown key; known are heart_rate_bpm,"),
        (HEAD + "[limits]\nsbp_mmhg = -1\n", "limits.sbp_mmhg = -1: should be greater than 0"),
        (HEAD + "[rules]\n", "rules.file is missing; write it"),
        (HEAD + "[rules]\nfile = 3\n", "rules.file = 3: a path in quotes is wanted"),
        (HEAD + "[rules]\nfile = ' '\n", "rules.file = ' ': a path in quotes is wanted"),
        (HEAD + "[staff]\npeople = 3\n", "staff.people = 3: should be 1 or 2"),
        (HEAD + "[protocol]\nfil = 'p.toml'\n", "protocol.fil = 'p.toml': unknown key; did you mean 'file'?"),
        (HEAD + "[protocol]\n", "protocol: no [[stage]] and no [[repeat]]"),
        (
            HEAD + STAIRS + "[[protocol.limits]]\n",
            "protocol: limits = [{}]: a table is wanted; write [limits]",
        ),
        # times
        (HEAD + "started = 2026-03-14T09:30:00\n", f"test.started = 2026-03-14T09:30:00: {WANTED}"),
        (HEAD + "started = '2026-03-14 09:30'\n", f"test.started = '2026-03-14 09:30': {WANTED}"),
        (HEAD + "started = 'noon'\n", f"test.started = 'noon': {WANTED}"),
        (HEAD + "started = 2026-03-14\n", f"test.started = 2026-03-14: {WANTED}"),
        (
            HEAD + "timezone = 'Europe/Berlim'\n",
            "test.timezone = 'Europe/Berlim': no such time zone; a name like 'Europe/Berlin' is wanted; "
            "did you mean 'Europe/Berlin'?",
        ),
        (
            HEAD + "timezone = 'Europe/Berlin'\nstarted = 2026-07-14T09:30:00+01:00\n",
            "test: started 2026-07-14T09:30:00+01:00 "
            "does not have the offset of Europe/Berlin, "
            "where it was 2026-07-14T10:30:00+02:00 then; correct started or timezone",
        ),
        # participant and cuff
        (
            HEAD + "[participant]\nage_years = '45'\n",
            "participant.age_years = '45': should be a valid number",
        ),
        (HEAD + "[participant]\nage_years = nan\n", "participant.age_years = nan: should be"),
        (
            HEAD + "[participant]\nmass_kg = 645\n",
            "participant.mass_kg = 645: should be less than or equal to 400",
        ),
        (
            HEAD + "[participant]\npacemaker = 'no'\n",
            "participant.pacemaker = 'no': should be a valid boolean",
        ),
        (
            HEAD + "[participant]\nmedication = 'aspirin'\n",
            "participant.medication = 'aspirin': one or several of beta_blocker, other, none, unknown",
        ),
        (HEAD + "[participant]\nmedication = []\n", "participant.medication = []: one or several of"),
        (HEAD + "[participant]\nmedication = 3\n", "participant.medication = 3: one or several of"),
        (
            HEAD + "[participant]\nmedication = ['none', 'other']\n",
            "participant.medication = ['none', 'other']: none and unknown stand alone",
        ),
        (
            HEAD + "[cuff]\ngauge_checked_on = 'May'\n",
            "cuff.gauge_checked_on = 'May': a date is wanted, like 2026-01-31",
        ),
        (
            HEAD + "[cuff]\ngauge_checked_on = 2026-01-31T10:00:00\n",
            "cuff.gauge_checked_on = 2026-01-31T10:00:00: ",
        ),
        # sources
        (
            HEAD + "[sources.bike]\npath = 'a'\n",
            "sources.bike.kind is missing; write kind = 'csv', 'sheet' or 'serial'",
        ),
        (
            HEAD + "[sources.bike]\nkind = 'usb'\n",
            "sources.bike.kind = 'usb': should be 'csv', 'sheet' or 'serial'",
        ),
        (HEAD + "[sources.bike]\nkind = 'csv'\n", "sources.bike.path is missing; write it"),
        (HEAD + "[sources]\nbike = 'a'\n", "sources.bike = 'a': a table is wanted; write [sources.bike]"),
        (
            HEAD + "sources = 'a'\n",
            "test.sources = 'a': unknown key; it is a section of its own, [sources]; known",
        ),
        (
            HEAD + BIKE + "forma = 'a'\n",
            "sources.bike.forma = 'a': unknown key; did you mean 'format'?; known are kind, path, format",
        ),
        (
            HEAD + BIKE + "align = '09:30'\nclock_offset_s = 3\n",
            "sources.bike: clock_offset_s and align both move the log; write one of them",
        ),
        (HEAD + BIKE + "align = 'noon'\n", "sources.bike.align: 'noon' is no time"),
        (
            HEAD + SHEET + "clock_offset_s = 3\n",
            "sources.sheet: a sheet has no clock_offset_s and no align: logs are moved to its clock",
        ),
        (
            HEAD + SHEET + "time_means = 'end'\n",
            "sources.sheet.time_means = 'end': should be 'first_sound', 'stage_end' or 'written'",
        ),
        (HEAD + "[sources.bike]\nkind = 'serial'\n", "sources.bike: port or path is wanted, one of the two"),
        (
            HEAD + "[sources.bike]\nkind = 'serial'\nport = 'a'\npath = 'b'\n",
            "sources.bike: port or path is wanted, one of the two",
        ),
        (
            HEAD + "[sources.bike]\nkind = 'serial'\nport = 'a'\nbaud = 0\n",
            "sources.bike.baud = 0: should be greater than 0",
        ),
        (
            HEAD + '[sources."my bike"]\nkind = "csv"\npath = "a"\n',
            "sources.my bike = 'my bike': letters, digits, _ and - are wanted, at most 64",
        ),
        # measures
        (
            HEAD + BIKE + "[measures]\nwatts = ['bik']\n",
            "measures.watts: 'bik' is no source; did you mean 'bike'?; sources are bike",
        ),
        (HEAD + "[measures]\nwatts = ['bike']\n", "measures.watts: 'bike' is no source; sources are none"),
        (
            HEAD + SHEET + "[measures]\nwatts = ['sheet']\n",
            "measures.watts: 'sheet' is a sheet, which has no such measure",
        ),
        (
            HEAD + BIKE + "[measures]\nwatts = ['bike', 'bike']\n",
            "measures.watts: 'bike' stands twice; write each source once",
        ),
        (HEAD + BIKE + "[measures]\nwatts = []\n", "measures.watts = []: "),
        (HEAD + BIKE + "[measures]\nwatts = 'bike'\n", "measures.watts = 'bike': should be a valid list"),
        (
            HEAD + BIKE + "[measures]\npower = ['bike']\n",
            "measures.power = ['bike']: unknown key; known are watts, cadence_rpm, heart_rate_bpm",
        ),
        # TOML itself
        ("[test]\nstudy = S1\n", "not TOML: Invalid value (at line 2, column 9); text stands in quotes"),
        (HEAD + "study = 'S2'\n", "not TOML: Cannot overwrite a value (at line 4,"),
    ],
)
def test_refusals(tmp_path: Path, text: str, said: str) -> None:
    assert refusal(tmp_path, text).startswith(f"test.toml: {said}")


def test_every_problem_is_said_at_once(tmp_path: Path) -> None:
    said = refusal(tmp_path, HEAD.replace("P-07", "Anna") + "visit = 0\n[staff]\npeople = 9\n")
    assert said.splitlines() == [
        "test.toml: 3 problems",
        f"  test.participant = 'Anna': {NAMED}",
        "  test.visit = 0: should be greater than or equal to 1",
        "  staff.people = 9: should be 1 or 2",
    ]


def test_a_long_value_is_cut(tmp_path: Path) -> None:
    said = refusal(tmp_path, HEAD + f"id = '{'x' * 300}'\n")
    assert "xxx...: letters, digits, _ and - are wanted, at most 64" in said
    assert len(said) < 250


class TestFiles:
    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(
            InputError, match="no such file, a setup file is wanted; `cuffwatt new DIR` writes"
        ):
            load_setup(tmp_path / "none.toml")

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match="is a folder, a setup file is wanted; name the file in it"):
            load_setup(tmp_path)

    def test_binary(self, tmp_path: Path) -> None:
        path = tmp_path / "test.toml"
        path.write_bytes(b"[test]\n\xff\xfe")
        with pytest.raises(
            InputError, match="byte 7 is no UTF-8 text, a setup file is wanted; save it as UTF-8"
        ):
            load_setup(path)

    def test_not_readable(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(self: Path) -> bytes:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "read_bytes", refuse)
        with pytest.raises(InputError, match=r"cannot be read \(Permission denied\); check its permissions"):
            load_setup(written(tmp_path, HEAD))


class TestTemplates:
    def test_they_load_as_they_are(self, tmp_path: Path) -> None:
        shutil.copytree(FIXTURES / "templates", tmp_path, dirs_exist_ok=True)
        setup = load_setup(tmp_path / "test.toml")
        assert setup.protocol is not None
        # 8 min and 5 min of rest, unloaded, 8 loads, recovery
        assert len(setup.protocol.stages) == 12
        assert list(setup.sources) == ["ergometer", "readings"]
        assert setup.limits is None
        log = read_sheet(
            tmp_path / "readings.csv", name="readings", started=setup.started(ANCHOR), time_means=None
        )
        assert log.events == []

    def test_the_log_format_is_the_plain_one(self, tmp_path: Path) -> None:
        """It can stay in force where the log is plain."""
        fmt = load_format(FIXTURES / "templates" / "log_format.toml")
        assert fmt.model_copy(update={"name": PLAIN.name}) == PLAIN
        (tmp_path / "log.csv").write_text("time,watts\n2026-03-14T09:30:00Z,62.5\n", encoding="utf-8")
        log = read_log(tmp_path / "log.csv", fmt, name="ergometer")
        assert [event.watts for event in log.events if isinstance(event, Sample)] == [62.5]

    @pytest.mark.parametrize(
        ("in_force", "out_of_force"),
        [
            (("decimal_comma", "skip_lines", "comment", "encoding", "missing"), ()),
            (("regex",), ("delimiter",)),
            (("metres_per_rev", "cadence_column"), ()),
            (("metres_per_rev", "rpm"), ()),
            (
                (
                    "[checksum]",
                    "kind",
                    "separator",
                    "starts_after",
                    "written",
                    "[poll]",
                    "command",
                    "every_s",
                ),
                (),
            ),
        ],
    )
    def test_the_examples_in_the_log_format(
        self, tmp_path: Path, in_force: tuple[str, ...], out_of_force: tuple[str, ...]
    ) -> None:
        text = (FIXTURES / "templates" / "log_format.toml").read_text(encoding="utf-8")
        for key in in_force:
            assert f"\n# {key}" in text
            text = text.replace(f"\n# {key}", f"\n{key}", 1)
        for key in out_of_force:
            text = text.replace(f"\n{key}", f"\n# {key}", 1)
        if "decimal_comma" in in_force:
            text = text.replace('delimiter = ","', 'delimiter = ";"')
        if "metres_per_rev" in in_force:
            text = text.replace('unit = "W"', 'unit = "kp"')
        path = tmp_path / "log_format.toml"
        path.write_text(text, encoding="utf-8")
        assert load_format(path) != PLAIN

    def test_the_examples_in_them_load_too(self, tmp_path: Path) -> None:
        """Every `# key = value` and `# [section]` taken into force, one alternative of each pair."""
        shutil.copytree(FIXTURES / "templates", tmp_path, dirs_exist_ok=True)
        path = tmp_path / "test.toml"
        lines = []
        for line in path.read_text(encoding="utf-8").splitlines():
            bare = line.removeprefix("# ")
            example = bare.startswith("[") or bare.split(" = ")[0].isidentifier()
            lines.append(bare if example and not bare.startswith("align") else line)
        path.write_text("\n".join(lines), encoding="utf-8")
        text, tables = read_toml(path, "setup", "")
        assert tables["protocol"]["starts"]
        starts = next(line for line in text.splitlines() if line.startswith("starts"))
        path.write_text(text.replace(starts, 'starts = { "seated rest" = "09:30:00" }'), encoding="utf-8")
        setup = load_setup(path)
        opened = setup.test_opened(mode="join", anchor=ANCHOR, rules_digest="ab", software="1")
        assert [name for name, value in opened if value is None] == ["seq", "elapsed_s"]
        assert setup.ranks("bike").startswith("cadence_rpm=2")
        assert setup.test.end_reason == "exhaustion"

    @pytest.mark.parametrize(
        "path", sorted((FIXTURES / "protocols").glob("*.toml")), ids=lambda path: path.stem
    )
    def test_protocols(self, path: Path) -> None:
        _, tables = read_toml(path, "protocol", "")
        protocol = parse_protocol(tables, str(path))
        assert protocol.name
        phases = [stage.phase for stage in protocol.stages]
        assert (phases[0], phases[-1]) == ("rest", "recovery")
        # the resting value comes from a rest in the posture of exercise, two readings or more
        last_rest = [stage for stage in protocol.stages if stage.phase == "rest"][-1]
        assert (last_rest.position, last_rest.readings) == ("ergometer", 2)
        assert "limits" not in tables

    def test_there_are_protocols(self) -> None:
        assert len(list((FIXTURES / "protocols").glob("*.toml"))) >= 4
