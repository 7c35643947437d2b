"""What the page may ask of the server: the screen, how it stands, files in, answers, results."""

from __future__ import annotations

import json
import secrets
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import unquote

from pourdatum.cli.carry import default_target
from pourdatum.cli.local import looks
from pourdatum.cli.local.guard import App, Guard
from pourdatum.cli.local.screens import page_words, screen
from pourdatum.cli.refusal import refusal_of
from pourdatum.cli.say import printable
from pourdatum.cli.stop import Stopped
from pourdatum.errors import JobError, PourdatumError
from pourdatum.filelist import Command, choose_files
from pourdatum.optional import need
from pourdatum.write.folder import check_target

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from pourdatum.cli.local.desk import Desk
    from pourdatum.cli.local.intake import Intake

PURPOSE: Final = "the page of `pourdatum open`"
_MOST_WORDS: Final = 1 << 18
"""Bytes of an answer; scans come another way."""
_SHOWN_HERE: Final = {
    ".html": "text/html; charset=utf-8",
    ".png": "image/png",
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".csv": "text/plain; charset=utf-8",
}


def application(
    token: str, host: str, desk: Desk, intake: Intake, out: Path, end: Callable[[], None]
) -> App:
    """The server's application, behind its guard.

    Parameters
    ----------
    token, host : str
        First part of every address, and the Host of every request.
    desk, intake : Desk, Intake
    out : Path
        Folder in which result folders are proposed.
    end : callable
        Ends the program.

    Raises
    ------
    MissingExtra
        If the web framework is not installed.
    """
    applications = need("starlette.applications", purpose=PURPOSE, extra="page")
    from starlette.background import BackgroundTask
    from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse
    from starlette.responses import Response as Plain
    from starlette.routing import Route

    def refused(error: PourdatumError, status: int = 422) -> Response:
        return JSONResponse({"told": page_words(printable(str(error)))}, status)

    def slash(request: Request) -> Response:
        return RedirectResponse(f"/{token}/", 307)

    def page(request: Request) -> Response:
        headers = {"content-security-policy": looks.policy()}
        return HTMLResponse(screen(desk.view, out, intake.names, intake.campaign), headers=headers)

    def icon(request: Request) -> Response:
        return Plain(looks.ICON, media_type="image/svg+xml")

    def state(request: Request) -> Response:
        view = desk.view
        return JSONResponse({"state": view.state, "version": view.version, "tell": view.tell})

    async def take(request: Request) -> Response:
        told = unquote(request.headers.get("x-name", ""))
        size = request.headers.get("content-length", "")
        if not size.isdecimal():
            return refused(JobError("a file comes with its size"), 411)
        try:
            if desk.view.state in ("working", "asking"):
                raise JobError("a scan is being worked on", hint="wait for it, or cancel it")
            if request.headers.get("x-first") == "1":
                intake.clear()
            else:
                intake.check_campaign(request.headers.get("x-campaign"))
            name = await intake.take(told, int(size), request.stream())
            return JSONResponse({"name": name, "campaign": intake.campaign})
        except Exception as reason:
            refusal = refusal_of(reason)
            assert not isinstance(refusal, Stopped)
            return refused(refusal)

    async def room(request: Request) -> Response:
        try:
            told = await words(request)
            intake.check_room(told.get("bytes"))
        except PourdatumError as error:
            return refused(error)
        return JSONResponse({})

    async def begin(request: Request) -> Response:
        try:
            asked = await words(request)
            wishes = wishes_of(asked, intake, out)
            desk.begin(wishes, name_of(wishes["scans"]), asked)
        except PourdatumError as error:
            return refused(error)
        return JSONResponse({})

    async def answer(request: Request) -> Response:
        try:
            told = await words(request)
            desk.answer(int(told["number"]), told.get("answer"))
        except (PourdatumError, KeyError, TypeError, ValueError, OverflowError):
            return refused(JobError("this is no answer"))
        return JSONResponse({})

    def stop(request: Request) -> Response:
        desk.stop()
        return JSONResponse({})

    def again(request: Request) -> Response:
        desk.clear()
        return JSONResponse({})

    def leave(request: Request) -> Response:
        end()
        return JSONResponse({})

    def result(request: Request) -> Response:
        done = desk.view.end.get("result", {})
        name = request.path_params["name"]
        headers = {"content-security-policy": looks.file_policy(name)}
        if name not in done.get("files", ()):
            return Plain("no such file in the result\n", 404, headers, "text/plain")
        path = Path(done["folder"], name)
        kind = _SHOWN_HERE.get(path.suffix)
        if not path.is_file() or path.is_symlink():
            return Plain("the file has gone from the result folder\n", 404, headers, "text/plain")
        if kind is None:
            return FileResponse(path, headers=headers, filename=name)
        return FileResponse(path, headers=headers, media_type=kind)

    def whole(request: Request) -> Response:
        done = desk.view.end.get("result")
        headers = {"content-security-policy": looks.file_policy()}
        if done is None:
            return Plain("there is no result yet\n", 404, headers, "text/plain")
        # Each who asks gets a file of its own: two at once would write into one another's.
        packed = intake.folder / f"result-{secrets.token_hex(4)}.zip"
        try:
            pack(Path(done["folder"]), done["files"], packed)
        except OSError as reason:
            packed.unlink(missing_ok=True)
            said = f"the folder cannot be packed ({reason.strerror}); it lies in {done['folder']}\n"
            return Plain(said, 507, headers, "text/plain; charset=utf-8")
        name = f"{Path(done['folder']).name}.zip"
        return FileResponse(
            packed, headers=headers, filename=name, media_type="application/zip",
            background=BackgroundTask(packed.unlink, missing_ok=True),
        )  # fmt: skip

    routes = [
        Route("/", page),
        Route("/state", state),
        Route("/icon.svg", icon),
        Route("/room", room, methods=["POST"]),
        Route("/take", take, methods=["POST"]),
        Route("/begin", begin, methods=["POST"]),
        Route("/answer", answer, methods=["POST"]),
        Route("/stop", stop, methods=["POST"]),
        Route("/again", again, methods=["POST"]),
        Route("/end", leave, methods=["POST"]),
        Route("/result.zip", whole),
        Route("/result/{name}", result),
        Route("/slash", slash),
    ]
    return Guard(applications.Starlette(routes=routes), token, host)


async def words(request: Request) -> dict[str, Any]:
    """The words of a form as they came: a JSON object of texts.

    Raises
    ------
    JobError
        If it is none, or too long.
    """
    text = b""
    async for piece in request.stream():
        text += piece
        if len(text) > _MOST_WORDS:
            raise JobError("too many words")
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        told = None
    if not isinstance(told, dict):
        raise JobError("these are no words of the page")
    return told


def wishes_of(asked: dict[str, Any], intake: Intake, out: Path) -> dict[str, Any]:
    """What a worker is to do, from the words of the first screen.

    Raises
    ------
    PourdatumError
        If no scan is named, or the result could not be written there.
    """
    from pourdatum.read.remote import is_address

    def word(name: str, *among: str) -> str:
        told = str(asked.get(name) or "").strip()
        if among and told not in among:
            raise JobError(f"'{told}' is not known", where=name, hint=f"use {', '.join(among)}")
        return told

    command: Command = "plan" if word("command", "plan", "survey") == "plan" else "survey"
    lines = [line.strip() for line in word("paths").splitlines() if line.strip()]
    for line in lines:
        if is_address(line.strip("\"'")):
            raise JobError("the page reads files of this computer only", where=line)
    paths = [typed_path(line) for line in lines]
    if asked.get("dropped"):
        intake.check_campaign(asked.get("campaign"))
    scans = intake.paths() if asked.get("dropped") else paths
    if not scans:
        raise JobError("no scan is given", hint="drop one, choose one, or type its path")
    folder = Path(typed_path(word("folder") or str(out)))
    if not folder.is_absolute():
        raise JobError("it is no whole path", where=str(folder), hint=f"for example {out}")
    target = folder / default_target(scans[0], command)
    check_target(target, overwrite=True)
    return {
        "command": command,
        "scans": scans,
        "hide": str(intake.scans),
        "out": str(target),
        "files": ",".join((*choose_files(None, command), "pdf")) if asked.get("pdf") else None,
        "material": word("material") or "standard",
        "shown": word("shown", "metric", "imperial"),
        "ask_exit": command == "plan" and word("exit", "ask", "none") == "ask",
    }


def typed_path(text: str) -> str:
    """A path as people type or paste it: without quotes, and with their home written out."""
    text = text.strip()
    if len(text) > 1 and text[0] == text[-1] and text[0] in "\"'":
        text = text[1:-1]
    try:
        return str(Path(text).expanduser())
    except RuntimeError:
        return text


def name_of(scans: list[str]) -> str:
    """What a campaign is called."""
    first = Path(scans[0]).name
    return first if len(scans) == 1 else f"{first} and {len(scans) - 1} more"


def pack(folder: Path, names: list[str], packed: Path) -> None:
    """The files of a result as one."""
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as out:
        for name in names:
            out.write(folder / name, f"{folder.name}/{name}")
