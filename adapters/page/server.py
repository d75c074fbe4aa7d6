"""The server of the bedside page: loopback, or the laboratory's network behind a code.

It runs in a thread of its own and ends at once: pictures are waited for at most `WAIT_S`, and who
waits is let go.  The recorder never waits for it.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import uvicorn
from fastapi import FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from adapters.page.desk import Answer, Desk, Recorded
from adapters.page.door import COOKIE, COOKIE_S, Door, Guarded, Refused
from adapters.page.sent import Corrects, Reader, Sent
from adapters.page.state import Board, Role
from adapters.typed_entry import Typist
from pipeline.clock import Clock
from pipeline.errors import UsageError
from pipeline.events import Event

LOOPBACK = "127.0.0.1"
PORT = 8630
WAIT_S = 10.0
MOST_WAITING = 24
_FOLDER = Path(__file__).parent
_FILES = {"/": "page.html"} | {f"/{name}": name for name in ("page.js", "entries.js", "chart.js", "page.css")}
_TYPES = {"html": "text/html", "js": "text/javascript", "css": "text/css"}
_END_S = 3.0


@dataclass(frozen=True)
class Facts:
    """What of a test does not change: its clock, how entries are read, who observes, how a reading is
    corrected, and the caution; `before` are its lines from before an interruption."""

    clock: Clock
    typist: Typist
    observer: str | None
    correct: Corrects
    caution: str
    before: Sequence[Event] = ()


class Code(BaseModel):
    """The code that the terminal shows."""

    model_config = ConfigDict(strict=True, extra="forbid")

    code: Annotated[str, Field(max_length=32)]


class Marked(BaseModel):
    """A sound was heard, `ago_s` before this was sent."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)

    ago_s: Annotated[float, Field(ge=0, le=86_400)] = 0.0


def page_app(desk: Desk, board: Board, door: Door, facts: Facts) -> Guarded:
    """The application: the page's files, its pictures, and what it may send."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    waiting = threading.BoundedSemaphore(MOST_WAITING)

    @app.exception_handler(RequestValidationError)
    def _not_understood(request: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"] if part != "body")
        return JSONResponse({"error": f"{where or 'entry'}: {first['msg']}"}, 422)

    for path, name in _FILES.items():
        app.get(path)(_file(name))

    @app.post("/code")
    def _enter(given: Code, request: Request) -> JSONResponse:
        try:
            cookie = door.enter(given.code, request.client.host if request.client else "")
        except Refused as refused:
            return JSONResponse({"error": refused.words}, refused.status)
        answer = JSONResponse({"in": True})
        answer.set_cookie(COOKIE, cookie, max_age=int(COOKIE_S), httponly=True, samesite="strict")
        return answer

    @app.get("/facts")
    def _facts() -> dict[str, Any]:
        local = facts.typist.started
        return {
            # times of the day are counted on from here, because the device's clock may be wrong
            "opened_clock_s": local.hour * 3600 + local.minute * 60 + local.second + local.microsecond / 1e6,
            "observer": facts.observer,
            "caution": facts.caution,
        }

    @app.get("/state")
    def _state(
        after: Annotated[str, Query(max_length=40)] = "",
        points: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
        role: Role = "watching",
    ) -> JSONResponse:
        if not waiting.acquire(blocking=False):
            return JSONResponse({"error": "too many devices at once; close a page somewhere"}, 503)
        try:
            return JSONResponse(board.wait(after, points, role, WAIT_S))
        finally:
            waiting.release()

    @app.post("/marks")
    def _mark(marked: Marked) -> dict[str, float]:
        return {"at_s": max(0.0, facts.clock.elapsed() - marked.ago_s)}

    @app.post("/entries")
    def _entry(sent: Sent) -> JSONResponse:
        return _answered(desk.enter(sent))

    return Guarded(app, door)


def _file(name: str) -> Callable[[], FileResponse]:
    media_type = _TYPES[name.rpartition(".")[2]]
    return lambda: FileResponse(_FOLDER / name, media_type=media_type)


def _answered(answer: Answer) -> JSONResponse:
    lines = [{"seq": one.seq, "kind": one.kind, "at_s": one.elapsed_s} for one in answer.lines]
    said = {"kept": answer.kept, "waits": answer.waits, "lines": lines}
    said |= {"error": answer.error, "doubt": answer.doubt}
    return JSONResponse(said, 200 if answer.kept else 503 if answer.waits else 422)


class PageServer:
    """Serves the page from `start` to `end`; `address` None is loopback alone, without a code.

    UsageError when the address or the port cannot be had.  `show` is told each code.
    """

    def __init__(
        self,
        recorded: Recorded,
        facts: Facts,
        *,
        port: int = PORT,
        address: str | None = None,
        show: Callable[[str], None] | None = None,
    ) -> None:
        self._socket = _bound(address or LOOPBACK, port)
        port = self._socket.getsockname()[1]
        names = [address] if address else [LOOPBACK, "localhost"]
        self.url = f"http://{names[0]}:{port}/"
        door = Door([f"{name}:{port}" for name in names], facts.clock, show if address else None)
        self._board = Board(recorded, facts.clock, facts.before)
        reader = Reader(facts.clock, facts.typist, facts.correct)
        app = page_app(Desk(recorded, reader, facts.before), self._board, door, facts)
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                lifespan="off",
                ws="none",
                log_config=None,
                access_log=False,
                server_header=False,
                limit_concurrency=2 * MOST_WAITING,
                timeout_keep_alive=15,
                timeout_graceful_shutdown=1,
                h11_max_incomplete_event_size=16_384,
            )
        )
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="page", daemon=True
        )

    def start(self) -> None:
        """Begin to serve."""
        self._board.start()
        self._thread.start()

    def end(self) -> None:
        """Stop serving; nobody is waited for longer than a few seconds."""
        self._server.should_exit = True
        self._board.end()
        self._thread.join(timeout=_END_S)
        self._socket.close()


def own_address() -> str:
    """The address of this machine in its network; UsageError where it has none.

    Nothing is sent: a datagram socket that is connected to a documentation address (RFC 5737)
    only chooses the way there.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError as error:
            raise UsageError(
                f"this machine has no network to share the page in ({error.strerror}); "
                "connect it, or leave --share out"
            ) from None


def _bound(address: str, port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((address, port))
    except OSError as error:
        bound.close()
        raise UsageError(
            f"the page cannot be served at {address}:{port} ({error.strerror}); another recording may be "
            "running there; give another --port"
        ) from None
    return bound
