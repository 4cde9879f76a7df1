"""The command ``rakelight``: reads arguments, prints, and turns errors into exit codes. Nothing else does.

Results go to standard output, progress and complaints to standard error. Anything heavy is imported inside
the command that needs it, so that help is there at once.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from vision.errors import NoPhotoError, RakelightError, UsageError

if TYPE_CHECKING:
    from pipelines.batch import Progress
    from pipelines.examine import PhotoRecord, Request

#: Exit codes of the contract that no exception carries.
EXIT_DONE, EXIT_NO_PHOTO, EXIT_SOME_FAILED, EXIT_WORKER_DIED, EXIT_INTERRUPTED = 0, 3, 5, 7, 130

#: The guide that is used when none is named.
DEFAULT_GUIDE = "early-vinyl"

#: What to open first in a folder of results.
_PAGES = ("report.html", "lot.html")

app = typer.Typer(
    name="rakelight",
    help="Measures what photos can show of a vintage vinyl fashion doll, and weighs it against a guide.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
guide_app = typer.Typer(
    name="guide", help="Checks or lists guides.", no_args_is_help=True, rich_markup_mode=None
)
app.add_typer(guide_app)

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO", help="Photo files, or folders of photos.")]
Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with the photos.")]
GuideName = Annotated[
    str, typer.Option("--guide", metavar="GUIDE", help="A shipped guide's name, or a file.")
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="New or empty folder for the result.")]
Json = Annotated[
    Path | None,
    typer.Option(
        "--json",
        metavar="PATH|-",
        allow_dash=True,
        help="Write the machine-readable result there; - is standard output.",
    ),
]
Jobs = Annotated[int, typer.Option("--jobs", min=1, max=256, metavar="N", help="Photos worked on at once.")]
LotJobs = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        min=1,
        max=256,
        metavar="N",
        help="Photos worked on at once. Default: one a core, fewer where memory is short.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress, no remarks.")]


# -- commands -----------------------------------------------------------------------------------------


@app.command()
def measure(
    photos: Photos,
    *,
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="TRAIT,...", help="Read these traits only.")
    ] = None,
    view: Annotated[
        str | None, typer.Option("--view", metavar="VIEW", help="What the photos show, if you know.")
    ] = None,
    regions: Annotated[
        Path | None,
        typer.Option("--regions", metavar="FILE", help="TOML file that says where things are."),
    ] = None,
    json_path: Json = None,
    jobs: Jobs = 1,
    quiet: Quiet = False,
) -> None:
    """Read traits from photos."""

    def work() -> int:
        from pipelines import batch, examine, files

        request = _request(only, view, regions)
        paths = files.find_photos(photos)
        _warn_unused_regions(request, [path.name for path in paths], quiet)
        _check_json_place(json_path)
        with _clean_stdout(json_path):
            records = batch.examine_files(paths, request, jobs, _progress(quiet))
        if json_path is None:
            _print_readings(records)
        else:
            _write_json(examine.document(records), json_path)
        _name_failures([record.to_json() for record in records])
        return exit_code([record.to_json() for record in records])

    _run(work)


@app.command()
def fuse(
    photos: Photos,
    *,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="New or empty folder for the relief picture.")
    ] = None,
    json_path: Json = None,
    jobs: Jobs = 1,
    quiet: Quiet = False,
) -> None:
    """Join photos of one mark under different lights into a relief picture, and read it."""

    def work() -> int:
        from pipelines import files
        from pipelines import fuse as job

        _check_json_place(json_path)
        with _clean_stdout(json_path):
            result = job.run(files.find_photos(photos), out, _progress(quiet))
        if json_path is None:
            joined = f"{len(result.used)} of {len(result.photos)} photos joined."
            print("One photo: nothing to join, it is read by itself." if len(result.photos) == 1 else joined)
            _print_records(result.traits)
        return _finish(result, json_path, out, quiet)

    _run(work)


@app.command()
def listing(
    folder: Folder,
    *,
    out: Out,
    guide: GuideName = DEFAULT_GUIDE,
    claim: Annotated[
        str | None, typer.Option("--claim", metavar="RELEASE", help="What the seller says it is.")
    ] = None,
    findings: Annotated[
        Path | None, typer.Option("--findings", metavar="FILE", help="TOML file of hands-on findings.")
    ] = None,
    json_path: Json = None,
    jobs: Jobs = 1,
    quiet: Quiet = False,
) -> None:
    """Check one doll's photos: report, traits, evidence pictures, questions for the seller."""

    def work() -> int:
        _check_places(folder, out, json_path)
        with _clean_stdout(json_path):
            result = _job("listing")(
                folder,
                guide=guide,
                claim=claim,
                findings=findings,
                out=out,
                jobs=jobs,
                progress=_progress(quiet),
            )
        return _finish(result, json_path, out, quiet)

    _run(work)


@app.command()
def lot(
    folder: Folder,
    *,
    out: Out,
    guide: GuideName = DEFAULT_GUIDE,
    cluster: Annotated[
        str,
        typer.Option(
            "--cluster", metavar="ADDRESS", help="Let the workers of this Dask scheduler do it; not --jobs."
        ),
    ] = "",
    json_path: Json = None,
    jobs: LotJobs = None,
    quiet: Quiet = False,
) -> None:
    """Rank many dolls: one subfolder a doll, photos named alike, or photos of many dolls."""

    def work() -> int:
        from pipelines import batch

        _check_places(folder, out, json_path)
        with _clean_stdout(json_path):
            result = _job("lot")(
                folder,
                guide=guide,
                out=out,
                jobs=jobs or batch.room(),
                cluster=cluster,
                progress=_progress(quiet),
            )
        return _finish(result, json_path, out, quiet)

    _run(work)


@app.command()
def review(
    folder: Folder,
    *,
    guide: Annotated[
        str | None,
        typer.Option("--guide", metavar="GUIDE", help="A shipped guide's name, or a file. Default: as left."),
    ] = None,
    claim: Annotated[
        str | None, typer.Option("--claim", metavar="RELEASE", help="What the seller says it is.")
    ] = None,
    host: Annotated[
        str, typer.Option("--host", metavar="ADDRESS", help="Listen there; others may reach it then.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, metavar="N", help="Listen on this port.")
    ] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, open no browser.")
    ] = False,
    json_path: Json = None,
    quiet: Quiet = False,
) -> None:
    """Open a page to look at one doll's photos, or a lot's, and set right what was read."""

    def work() -> int:
        _check_json_place(json_path)

        def on_link(address: str) -> None:
            if json_path is not None:
                _write_json({"address": address}, json_path)
            else:
                print(f"Open {address}" + ("" if quiet else "  (this address works once)"), flush=True)
            sys.stdout.flush()

        from pipelines.review import server

        server.run(
            folder,
            guide=guide if guide is None or not Path(guide).is_file() else str(Path(guide).resolve()),
            claim=claim,
            default_guide=DEFAULT_GUIDE,
            host=host,
            port=port,
            browser=not no_browser,
            on_link=on_link,
        )
        return EXIT_DONE

    _run(work)


@app.command()
def evidence(
    photos: Photos,
    *,
    out: Out,
    json_path: Json = None,
    jobs: Jobs = 1,
    quiet: Quiet = False,
) -> None:
    """Make annotated evidence pictures only."""

    def work() -> int:
        from pipelines import files

        paths = files.find_photos(photos)
        _check_json_place(json_path)
        files.check_output_folder(out)
        with _clean_stdout(json_path):
            result = _job("evidence")(paths, out=out, jobs=jobs, progress=_progress(quiet))
        return _finish(result, json_path, out, quiet)

    _run(work)


@guide_app.command("check")
def guide_check(
    file: Annotated[str, typer.Argument(metavar="FILE", help="A guide file, or a shipped guide's name.")],
    json_path: Json = None,
    jobs: Jobs = 1,
    quiet: Quiet = False,
) -> None:
    """Check a guide and say on which line it breaks a rule."""

    def work() -> int:
        from pipelines import guide

        found = guide.load(file)
        if json_path is not None:
            _write_json(
                {"guide": found.id, "title": found.title, "releases": list(found.releases)}, json_path
            )
        elif not quiet:
            size = f"{len(found.releases)} releases, {len(found.traits)} traits"
            print(f"{_safe(found.title)}: {size}. No mistake found.")
        return EXIT_DONE

    _run(work)


@guide_app.command("list")
def guide_list(json_path: Json = None, jobs: Jobs = 1, quiet: Quiet = False) -> None:
    """List the guides that come with the program."""

    def work() -> int:
        from pipelines import guide

        found = guide.shipped()
        if json_path is not None:
            _write_json(
                {"guides": [{"id": g.id, "title": g.title, "about": g.about} for g in found]}, json_path
            )
        else:
            for item in found:
                print(f"{item.id}\t{_safe(item.title)}")
        return EXIT_DONE

    _run(work)


def main() -> None:
    """Entry point of the command."""
    with contextlib.suppress(ValueError, AttributeError):  # not the main thread, or no such signal
        signal.signal(signal.SIGTERM, _interrupt)
    # File names may hold bytes that are no text; saying so must not fail.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app()


# -- errors to exit codes -----------------------------------------------------------------------------


def _run(work: Callable[[], int]) -> NoReturn:
    """Do the work of a command; the one place where errors become exit codes."""
    try:
        code = work()
        sys.stdout.flush()
    except RakelightError as error:
        lines = [_safe(line) for line in str(error).splitlines()]
        print("rakelight:", "\n".join(lines), file=sys.stderr)
        code = error.exit_code
    except KeyboardInterrupt:
        print("rakelight: interrupted.", file=sys.stderr)
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of our output left; Python would complain again while closing it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 6
    raise typer.Exit(code)


def exit_code(photos: Sequence[Mapping[str, Any]]) -> int:
    """Return the exit code for photo entries: done, some failed, none readable, or a worker died."""
    errors = [photo.get("error") or {} for photo in photos if photo.get("status") != "ok"]
    if any(error.get("reason") == "worker_died" for error in errors):
        return EXIT_WORKER_DIED
    if photos and len(errors) == len(photos):
        return EXIT_NO_PHOTO
    return EXIT_SOME_FAILED if errors else EXIT_DONE


def _interrupt(*_: object) -> NoReturn:
    raise KeyboardInterrupt


# -- arguments ----------------------------------------------------------------------------------------


def _job(name: str) -> Callable[..., Any]:
    """Return a job's ``run``, imported now rather than for ``--help``."""
    run: Callable[..., Any] = importlib.import_module(f"pipelines.{name}").run
    return run


def _request(only: list[str] | None, view: str | None, regions: Path | None) -> Request:
    from pipelines.examine import Request
    from pipelines.regions import RegionsFile, load
    from vision.traits import Trait, View

    words = [word.strip() for item in only or [] for word in item.split(",")]
    traits = frozenset(_one_of(Trait, word, "trait") for word in words if word)
    if only is not None and not traits:
        raise UsageError(f"--only names no trait. Valid: {', '.join(Trait)}.")
    return Request(
        only=traits or None,
        view=None if view is None else _one_of(View, view, "view"),
        regions=RegionsFile() if regions is None else load(regions),
    )


def _one_of(kind: Any, word: str, what: str) -> Any:
    import difflib

    try:
        return kind(word)
    except ValueError:
        close = difflib.get_close_matches(word.lower(), list(kind), n=1)
        hint = f"Did you mean {close[0]}? " if close else ""
        raise UsageError(f"unknown {what} '{_safe(word)[:60]}'. {hint}Valid: {', '.join(kind)}.") from None


def _check_places(folder: Path, out: Path, json_path: Path | None) -> None:
    """Complain before the work, not after it."""
    from pipelines import files

    if not folder.is_dir():
        raise NoPhotoError(f"{_safe(str(folder))} is not a folder. Give the folder that holds the photos.")
    if out.resolve() == folder.resolve():
        raise UsageError("--out is the photos' own folder. Give another one.")
    files.check_output_folder(out)
    _check_json_place(json_path)


def _check_json_place(json_path: Path | None) -> None:
    from pipelines import files

    if json_path is not None and str(json_path) != "-":
        files.check_output_file(json_path)


def _warn_unused_regions(request: Request, names: list[str], quiet: bool) -> None:
    unused = request.regions.unused(names)
    if unused and not quiet:
        shown = ", ".join(_safe(name) for name in unused[:5])
        print(f"rakelight: the regions file speaks of photos that were not given: {shown}.", file=sys.stderr)


# -- output -------------------------------------------------------------------------------------------


def _progress(quiet: bool) -> Progress:
    """Progress on standard error, for a terminal only."""
    from pipelines.batch import Pace, silent

    if quiet or not sys.stderr.isatty():
        return silent
    pace = Pace()

    def show(done: int, count: int, name: str) -> None:
        told = pace.step(done, count)
        line = f"{done}/{count}{f' ({told})' if told and done < count else ''} {_safe(name)[:48]}"
        print(f"\r\x1b[K{line}", end="\n" if done == count else "", file=sys.stderr, flush=True)

    return show


@contextlib.contextmanager
def _clean_stdout(json_path: Path | None) -> Iterator[None]:
    """While working, send what libraries print to standard error, if standard output is for JSON only."""
    if json_path is None or str(json_path) != "-":
        yield
        return
    sys.stdout.flush()
    if sys.stdout is not sys.__stdout__:
        with contextlib.redirect_stdout(sys.stderr):
            yield
        return
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        with contextlib.redirect_stdout(sys.stderr):
            yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _write_json(payload: Mapping[str, Any], json_path: Path) -> None:
    from pipelines import files

    text = json.dumps(payload, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    if str(json_path) == "-":
        sys.stdout.write(text)
    else:
        files.write_file(json_path, text)


def _finish(result: Any, json_path: Path | None, out: Path | None, quiet: bool) -> int:
    """Write a job's result, name its failed photos and return the exit code."""
    payload: Mapping[str, Any] = result.to_json() if hasattr(result, "to_json") else result
    photos = payload.get("photos", [])
    if json_path is not None:
        _write_json(payload, json_path)
    elif not quiet:
        for line in payload.get("summary", []):
            print(_safe(line))
        if out is not None:
            page = next((out / name for name in _PAGES if (out / name).is_file()), None)
            print(f"Written to {_safe(str(out))}." + (f" Open {_safe(str(page))}." if page else ""))
    _name_failures(photos)
    return exit_code(photos)


def _name_failures(photos: Sequence[Mapping[str, Any]]) -> None:
    for photo in photos:
        if photo.get("status") != "ok" and photo.get("error"):
            print(f"rakelight: {_safe(photo['error']['message'])}", file=sys.stderr)


def _print_readings(records: Sequence[PhotoRecord]) -> None:
    """A table a photo, in plain words."""
    for record in records:
        if not record.ok or record.view is None:
            continue
        shown = str(record.view.state).replace("_", " ")
        print(f"{_safe(record.file)}: {shown} ({record.view.confidence:.0%})")
        _print_records(record.traits)
        if not record.traits:
            print("  Nothing that this program measures is in view.")
        for note in record.notes:
            print(f"  Note: {_safe(note)}")
        print()


def _print_records(records: Sequence[Any]) -> None:
    from pipelines import words

    width = max((len(words.title(r.trait, r.part)) for r in records), default=0)
    explained: set[str] = set()
    for record in records:
        print(f"  {words.title(record.trait, record.part):<{width}}  {_safe(words.finding(record))}")
        details = [*words.reading(record), " · ".join(words.numbers(record))]
        if record.state is None and record.detail not in explained:
            details.append(record.detail)
            explained.add(record.detail)
        for line in filter(None, details):
            print(f"  {'':<{width}}  {_safe(line)}")


def _safe(text: str) -> str:
    """Text that cannot steer a terminal: from file names, guides and what was read off a doll."""
    from pipelines import files

    return files.printable(text)
