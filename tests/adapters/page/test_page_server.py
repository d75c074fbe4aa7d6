"""What the page's server lets in, keeps out, and answers."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

import pipeline.events as ev
from adapters.page import server as page_server
from adapters.page.server import PageServer
from pipeline.control import Begin
from pipeline.errors import NotConfirmed, UsageError
from pipeline.journal import read_journal

Serve = Callable[..., Any]
READING = {"k1_mmhg": 128, "k5_mmhg": 78, "arm": "left"}


@pytest.fixture
def served(serve: Serve) -> Any:
    return serve()


@pytest.fixture
def shared(serve: Serve) -> Any:
    return serve(protocol=None, share=True)


def raw(url: str, request: str) -> tuple[int, str]:
    """Status and body of a request that is written by hand."""
    host, port = url.removeprefix("http://").rstrip("/").split(":")
    with socket.create_connection((host, int(port)), timeout=10) as connection:
        connection.sendall(request.encode())
        received = b""
        while octets := connection.recv(65536):
            received += octets
    head, _, body = received.decode().partition("\r\n\r\n")
    return int(head.split()[1]), body


def test_the_files_are_served_with_headers_that_keep_the_page_to_itself(refusing: Any) -> None:
    folder = Path(page_server.__file__).parent
    names = {"": "page.html"} | {name: name for name in ("page.js", "entries.js", "chart.js", "page.css")}
    for path, name in names.items():
        answer = refusing.device.get(path)
        assert answer.content == (folder / name).read_bytes()
        assert answer.headers["content-security-policy"].startswith("default-src 'self'")
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
    # nothing is fetched from elsewhere: no address of another host stands in what is served
    text = "".join((folder / name).read_text() for name in names.values()).replace(
        "http://www.w3.org/2000/svg", ""
    )
    assert "http:" not in text
    assert "https:" not in text
    assert "docs" not in refusing.device.get("openapi.json").text


def test_a_request_without_the_right_host_is_refused(refusing: Any) -> None:
    assert raw(refusing.url, "GET /state HTTP/1.0\r\n\r\n")[0] == 400
    for host in (
        "evil.example",
        "127.0.0.1",
        "127.0.0.1:1",
        f"x{refusing.url[7:-1]}",
        "127.0.0.1.evil.example",
    ):
        status, body = raw(refusing.url, f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")
        assert (status, "not served here" in body) == (421, True), host
    port = refusing.url.rsplit(":", 1)[1].rstrip("/")
    assert (
        raw(refusing.url, f"GET / HTTP/1.1\r\nHost: localhost:{port}\r\nConnection: close\r\n\r\n")[0] == 200
    )


def test_a_request_from_another_page_is_refused(refusing: Any) -> None:
    device = refusing.new_device()
    sent = {"id": "abcdef-0000000000000001", "test_id": "BEDSIDE-1", "typed": "note x"}
    for origin in ("http://evil.example", "null", refusing.url.replace("127.0.0.1", "localhost").rstrip("/")):
        for method in ("GET", "POST"):
            answer = device.request(method, "state" if method == "GET" else "entries",
                                           headers={"Origin": origin}, json=sent)  # fmt: skip
            assert answer.status_code == 403, (origin, method)
    del device.headers["Origin"]
    assert device.post("entries", json=sent).status_code == 403
    assert device.get("state").status_code == 200
    device.close()
    assert refusing.rehearsed.of(ev.NoteWritten) == []


def test_what_is_too_large_or_of_another_kind_is_refused(refusing: Any) -> None:
    head = f"Host: {refusing.url[7:-1]}\r\nOrigin: {refusing.url[:-1]}\r\nConnection: close\r\n"
    json_kind = "Content-Type: application/json\r\n"
    for more, status in (
        (f"{json_kind}Content-Length: 16385\r\n", 413),
        (f"{json_kind}Transfer-Encoding: chunked\r\n", 411),
        (json_kind, 411),
        ("Content-Type: text/plain\r\nContent-Length: 2\r\n", 415),
    ):
        assert raw(refusing.url, f"POST /entries HTTP/1.1\r\n{head}{more}\r\n")[0] == status, more
    assert refusing.device.put("entries", json={}).status_code == 405
    assert refusing.device.get("state", params={"after": "x" * 41}).status_code == 422
    assert refusing.device.get("state", params={"role": "anybody"}).status_code == 422
    assert refusing.device.get("/../pyproject.toml").status_code == 404


def test_a_shared_page_wants_the_code_once_for_each_device(shared: Any) -> None:
    assert shared.device.get("").status_code == 200
    for path in ("state", "facts", "nothing"):
        assert shared.device.get(path).status_code == 401
    assert shared.device.post("marks", json={}).status_code == 401
    assert len(shared.codes) == 1
    answer = shared.device.post("code", json={"code": shared.codes[0].lower()})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "max-age=43200" in cookie
    assert shared.device.get("state").status_code == 200
    # the next device needs the next code
    other = shared.new_device()
    assert other.post("code", json={"code": shared.codes[0]}).status_code == 403
    assert len(shared.codes) == 2
    assert other.post("code", json={"code": shared.codes[1]}).status_code == 200
    other.close()


def test_a_cookie_runs_out_after_twelve_hours(shared: Any) -> None:
    shared.device.post("code", json={"code": shared.codes[0]})
    shared.rehearsed.advance(12 * 3600 - 1)
    assert shared.device.get("state").status_code == 200
    shared.rehearsed.advance(12 * 3600)
    assert shared.device.get("state").status_code == 401
    for cookie in ("cuffwatt_page=guess", "cuffwatt_page=", 'cuffwatt_page="\\'):
        assert shared.device.get("state", headers={"Cookie": cookie}).status_code == 401


def test_codes_are_not_to_be_guessed(shared: Any) -> None:
    for _ in range(5):
        assert shared.device.post("code", json={"code": "AAAA-AAAA"}).status_code == 403
    answer = shared.device.post("code", json={"code": shared.codes[0]})
    assert (answer.status_code, "wait 60 s" in answer.json()["error"]) == (429, True)
    shared.rehearsed.advance(61)
    assert shared.device.post("code", json={"code": shared.codes[0]}).status_code == 200
    assert shared.device.post("code", json={"code": "A" * 33}).status_code == 422


def test_on_loopback_no_code_opens_anything(refusing: Any) -> None:
    assert refusing.codes == []
    assert refusing.device.post("code", json={"code": ""}).status_code == 403


def test_a_port_that_is_taken_and_an_address_that_is_not_ours_are_said(refusing: Any) -> None:
    port = int(refusing.url.rsplit(":", 1)[1].rstrip("/"))
    with pytest.raises(UsageError, match="give another --port"):
        PageServer(refusing.rehearsed, refusing.rehearsed.facts(), port=port)
    with pytest.raises(UsageError, match=r"192\.0\.2\.1"):
        PageServer(refusing.rehearsed, refusing.rehearsed.facts(), port=0, address="192.0.2.1")


def test_a_machine_without_a_network_cannot_share(monkeypatch: pytest.MonkeyPatch) -> None:
    class Unconnected(socket.socket):
        def connect(self, address: Any) -> None:
            raise OSError(101, "Network is unreachable")

    monkeypatch.setattr(page_server.socket, "socket", Unconnected)
    with pytest.raises(UsageError, match="leave --share out"):
        page_server.own_address()


def test_two_devices_see_what_happens_within_300_ms(served: Any) -> None:
    devices = [served.device, served.new_device()]
    version = served.state()["version"]

    def seen(device: Any) -> tuple[float, dict[str, Any]]:
        state = device.get("state", params={"after": version}).json()
        return monotonic(), state

    with ThreadPoolExecutor() as pool:
        waiting = [pool.submit(seen, device) for device in devices]
        threading.Event().wait(0.2)
        assert not any(one.done() for one in waiting)
        served.rehearsed.show(test_id="BEDSIDE-1", stopped="equipment")
        shown_s = monotonic()
        states = [one.result() for one in waiting]
    assert {state["stopped"] for _, state in states} == {"equipment"}
    assert len({state["version"] for _, state in states}) == 1
    assert max(at_s for at_s, _ in states) - shown_s < 0.3
    devices[1].close()


def test_no_device_holds_up_the_end(serve: Serve) -> None:
    served = serve(protocol=None)
    version = served.state()["version"]
    with ThreadPoolExecutor() as pool:
        waiting = pool.submit(served.state, after=version)
        threading.Event().wait(0.2)
        began_s = monotonic()
        served.server.end()
        assert monotonic() - began_s < 2
        assert waiting.result()["version"] == version


def test_more_devices_than_there_is_room_for_are_told(served: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    version = served.state()["version"]
    with ThreadPoolExecutor(page_server.MOST_WAITING) as pool:
        waiting = [pool.submit(served.state, after=version) for _ in range(page_server.MOST_WAITING)]
        until_s = monotonic() + 10
        while (answer := served.device.get("state")).status_code != 503 and monotonic() < until_s:
            pass
        assert (answer.status_code, "too many devices" in answer.text) == (503, True)
        served.rehearsed.show(stopped="other")
        assert {one.result()["stopped"] for one in waiting} == {"other"}


def test_an_entry_is_taken_once_however_often_it_is_sent(served: Any) -> None:
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(70)
    with ThreadPoolExecutor() as pool:
        sent = [pool.submit(served.enter, 1, reading=READING) for _ in range(6)]
        answers = [one.result().json() for one in sent]
    assert all(answer["kept"] for answer in answers)
    [taken] = served.rehearsed.of(ev.ReadingTaken)
    assert {answer["lines"][0]["seq"] for answer in answers} == {taken.seq}
    assert (taken.k1_mmhg, taken.k5_mmhg, taken.arm, taken.observer) == (128, 78, "left", "AB-1")
    assert taken.source == "page:abcdef-0000000000000001"
    # also after a restart: what stands in the journal is known by its source
    before = read_journal(served.rehearsed.journal.path).events
    desk = page_server.Desk(
        served.rehearsed,
        page_server.Reader(served.rehearsed.clock, served.rehearsed.facts().typist, served.rehearsed.correct),
        before,
    )
    sent_again = page_server.Sent.model_validate(
        {"id": "abcdef-0000000000000001", "test_id": "BEDSIDE-1", "reading": READING}
    )
    assert desk.enter(sent_again).lines == (taken,)
    assert len(served.rehearsed.of(ev.ReadingTaken)) == 1


def test_an_entry_is_confirmed_when_it_is_on_disk_and_not_before(served: Any) -> None:
    one = served.rehearsed
    one.refuse = NotConfirmed("taken, but not on disk: no space left")
    one.show(kept=False)
    one.view = type(one.view)(**(one.view.__dict__ | {"kept": False}))
    show, one.show = one.show, lambda **changes: None
    answer = served.enter(1, typed="note full disk")
    assert (answer.status_code, answer.json()["waits"], answer.json()["kept"]) == (503, True, False)
    # asked again it is not entered again; once all is on disk, it is kept
    assert served.enter(1, typed="note full disk").status_code == 503
    one.show = show
    one.show(kept=True)
    assert served.enter(1, typed="note full disk").json()["kept"]


def test_a_recorder_that_does_not_answer_is_not_waited_for(
    served: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.page.desk.PATIENCE_S", 0.05)
    served.rehearsed.held = []
    answer = served.enter(1, typed="note slow")
    assert (answer.status_code, answer.json()["waits"]) == (503, True)
    assert len(served.rehearsed.held) == 1
    served.rehearsed.held[0].set_result(
        ev.NoteWritten(event_time=served.rehearsed.clock.now(), source="x", text="slow")
    )
    assert served.enter(1, typed="note slow").json()["kept"]
    assert len(served.rehearsed.held) == 1


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"reading": {"k5_mmhg": 78}}, "no first sound was entered"),
        ({"reading": READING | {"seq": 3}}, "seq: not for a device to say"),
        ({"reading": READING | {"event_time": "now"}}, "event_time: not for a device to say"),
        ({"reading": READING | {"k1_mmhg": 900}}, "k1_mmhg"),
        ({"reading": READING | {"observer": "Anna"}}, "a code is wanted, not a name"),
        ({"reading": READING | {"mood": "good"}}, "mood"),
        ({"typed": "symptom tired"}, "tired"),
        ({"typed": "k1"}, "have buttons"),
        ({"typed": "next"}, "with the buttons under Course"),
        ({"typed": "note x", "test_id": "OTHER-1"}, "entered for test OTHER-1"),
        ({"typed": "note x", "seen": {"code": "x", "target_seq": 1}}, "one of reading, typed, seen"),
        ({}, "one of reading, typed, seen"),
        ({"typed": "note x", "id": "1"}, "id"),
        ({"typed": "note x", "ago_s": -1}, "ago_s"),
        ({"reading": READING, "first": {"at_s": 1e6}}, "later than now"),
        ({"reading": READING, "first": {}}, "either at_s or ago_s"),
        ({"reading": READING, "last": {"ago_s": 1}}, "before the first"),
        ({"reading": READING, "first": {"ago_s": 1}, "last": {"ago_s": 5}}, "before the first"),
        ({"seen": {"code": "x", "target_seq": 1, "by": "Anna"}}, "a code is wanted"),
        ({"correct": {"target_seq": 0, "pressures": "148/82", "reason": "x", "by": "AB-1"}}, ""),
        ({"correct": {"target_seq": 0, "pressures": "abc", "reason": "x", "by": "AB-1"}}, "abc"),
    ],
)
def test_what_cannot_be_taken_is_said_and_not_taken(refusing: Any, what: dict[str, Any], said: str) -> None:
    refusing.rehearsed.tried += 1
    answer = refusing.enter(refusing.rehearsed.tried, **what)
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    kinds = {event.kind for event in read_journal(refusing.rehearsed.journal.path).events}
    assert not kinds & {"reading_taken", "note_written", "amended", "flag_acknowledged", "symptom_noted"}


@pytest.fixture(scope="module")
def refusing(make_served: Callable[..., Any]) -> Iterator[Any]:
    served = make_served()
    served.rehearsed.tried = 0
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(70)
    return served


def test_moments_are_the_servers_and_waiting_is_counted_back(served: Any) -> None:
    """The device says how long ago, never what time it is."""
    one = served.rehearsed
    one.ask(Begin())
    one.advance(100)
    stamped = served.device.post("marks", json={"ago_s": 0.5}).json()["at_s"]
    assert stamped == 99.5
    one.advance(130)
    # marked and answered at once; the last sound was marked while the connection was away, 5 s ago
    served.enter(1, reading=READING, first={"at_s": stamped}, last={"ago_s": 5})
    [taken] = one.of(ev.ReadingTaken)
    seconds = [
        (moment - one.clock.anchor).total_seconds() for moment in (taken.event_time, taken.last_sound_at)
    ]
    assert (seconds, taken.measured_source) == ([99.5, 125], "marked")
    served.enter(2, typed="symptom dizzy 1", ago_s=30)
    [noted] = one.of(ev.SymptomNoted)
    assert ((noted.event_time - one.clock.anchor).total_seconds(), noted.elapsed_s) == (100, 130)
    # before the test there is nothing
    served.enter(3, typed="note early", ago_s=80_000)
    assert one.of(ev.NoteWritten)[0].event_time == one.clock.anchor


def test_a_reading_that_waited_is_placed_where_it_was_made(served: Any) -> None:
    """Without a mark the first sound is 10 s and the fall of the cuff before the entry was made.

    At rest 3 mmHg/s: 128 down to the 50 that are listened to takes 26 s, so made at 130 it was at
    130 - 10 - 26 = 94, wherever it has waited until 200.
    """
    one = served.rehearsed
    one.ask(Begin())
    one.advance(200)
    served.enter(1, reading=READING, ago_s=70)
    [taken] = one.of(ev.ReadingTaken)
    assert taken.measured_source == "estimated"
    assert (taken.event_time - one.clock.anchor).total_seconds() == pytest.approx(94, abs=0.01)
    assert taken.elapsed_s == 200


def test_two_people_who_press_at_once_move_the_test_one_stage(served: Any) -> None:
    one = served.rehearsed
    assert served.enter(1, typed="begin", stage=0).json()["kept"]
    one.advance(10)
    with ThreadPoolExecutor() as pool:
        both = [pool.submit(served.enter, number, typed="next", stage=1) for number in (2, 3)]
        kept = sorted(answer.result().json()["kept"] for answer in both)
    assert kept == [False, True]
    assert [event.stage_index for event in one.of(ev.StageStarted)] == [0, 1]
    assert served.enter(4, typed="stop exhaustion participant", stage=1).status_code == 422
    assert served.enter(5, typed="hold 30", stage=2).json()["kept"]
    assert served.enter(6, typed="stop exhaustion participant", stage=2).json()["kept"]
    assert [event.phase for event in one.of(ev.StageStarted)] == ["rest", "exercise", "recovery"]


def test_a_step_that_could_not_be_made_may_be_tried_again(served: Any) -> None:
    assert "no load is being ridden" in served.enter(1, typed="recovery", stage=0).json()["error"]
    assert served.enter(2, typed="begin", stage=0).json()["kept"]


def test_two_entries_for_one_window_are_both_kept_and_flagged(served: Any) -> None:
    one = served.rehearsed
    one.ask(Begin())
    one.advance(170, 0, 70)
    assert served.enter(1, reading=READING).json()["kept"]
    assert served.enter(2, reading=READING | {"k1_mmhg": 132}).json()["kept"]
    readings = one.of(ev.ReadingTaken)
    assert [reading.k1_mmhg for reading in readings] == [128, 132]
    assert len({reading.due_seq for reading in readings}) == 1
    assert "entered_twice" in {flag["code"] for flag in served.state()["flags"]}


def test_a_correction_and_an_acknowledgement_reach_the_journal_once(served: Any) -> None:
    one = served.rehearsed
    one.ask(Begin())
    one.advance(170, 0, 70)
    seq = served.enter(1, reading=READING).json()["lines"][0]["seq"]
    correct = {"target_seq": seq, "pressures": "138/88", "reason": "typed wrong", "by": "ab-1"}
    for _ in range(2):
        assert served.enter(2, correct=correct).json()["kept"]
    amended = one.of(ev.Amended)
    assert [(event.field, event.value, event.by) for event in amended] == [
        ("k1_mmhg", 138, "AB-1"), ("k5_mmhg", 88, "AB-1"),
    ]  # fmt: skip
    [reading] = served.state()["readings"]
    assert (reading["k1_mmhg"], reading["k5_mmhg"]) == (138, 88)
    flag = served.state()["flags"][0]
    seen = {"code": flag["code"], "target_seq": flag["target_seq"], "by": "AB-1"}
    for _ in range(2):
        assert served.enter(3, seen=seen).json()["kept"]
    [acknowledged] = one.of(ev.FlagAcknowledged)
    assert (acknowledged.code, acknowledged.target_seq, acknowledged.by) == tuple(seen.values())
    assert served.enter(4, correct=correct | {"pressures": None}).json()["kept"]
    assert served.state()["readings"][0]["status"] == "void"


def test_an_unlikely_pair_is_kept_and_asked_about(served: Any) -> None:
    answer = served.enter(1, reading={"k1_mmhg": 120, "k5_mmhg": 115}).json()
    assert (answer["kept"], "is it as heard?" in answer["doubt"]) == (True, True)
