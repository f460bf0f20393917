"""`geoflow season`: many fields at once, on this machine or on a Dask cluster."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from geoflow.base.errors import UsageError
from geoflow.cli.options import Command, deliver

if TYPE_CHECKING:
    from geoflow.season.running import Progress

__all__ = ["SEASON"]

_STOPPED: Final = 130
_CODES: Final = (
    "Exit code: 0 nothing to act on, 1 findings or failed fields, 2 wrong use or unreadable catalog, 130 stopped."
)
_EVERY: Final = 10.0  # seconds between lines where nobody watches


def _span(seconds: float | None) -> str:
    if seconds is None:
        return "time left not known yet"
    if seconds < 90:
        return f"{seconds:.0f} s left"
    return f"{seconds / 60:.0f} min left" if seconds < 5400 else f"{seconds / 3600:.1f} h left"


class _Teller:
    """Tells on standard error how far the season is: in place at a terminal, now and then a line elsewhere."""

    def __init__(self) -> None:
        self._there = sys.stderr.isatty()
        self._last = -_EVERY if self._there else time.monotonic()

    def __call__(self, progress: Progress) -> None:
        now, over = time.monotonic(), progress.done == progress.total
        if not over and now - self._last < (0.2 if self._there else _EVERY):
            return
        self._last = now
        parts = [f"{progress.done:,} of {progress.total:,} fields", f"{progress.findings:,} with findings"]
        parts += [f"{progress.failed:,} failed"] if progress.failed else []
        parts += [f"{progress.kept:,} were there already"] if progress.kept else []
        parts += [f"{progress.deaths:,} tried again after a worker died"] if progress.deaths else []
        parts += [] if over else [_span(progress.left)]
        line = ", ".join(parts)
        if self._there:
            print(f"\r\x1b[K{line}", end="\n" if over else "", file=sys.stderr, flush=True)
        else:
            print(line, file=sys.stderr, flush=True)


def _fixed(options: argparse.Namespace) -> dict[str, str]:
    """What stands for all fields in place of their own cells."""
    from geoflow.season.catalog import read_settings

    fixed = read_settings(options.set)
    for name in ("job", "bar", "temperature", "speed"):
        value = getattr(options, name)
        if value is not None:
            fixed[name] = value
    return fixed


def _make(options: argparse.Namespace) -> int:
    if options.catalog is not None or options.out is not None:
        raise UsageError(
            "--make only writes a catalog", where="geoflow season",
            cure="leave CATALOG and --out out here, then run: geoflow season CATALOG --out DIR",
        )  # fmt: skip
    if options.glob is None:
        raise UsageError("--make needs --glob", where="geoflow season", cure='for example --glob "fields/*.zip"')
    if options.maps is not None or options.outlines is not None:
        return _split(options)
    for name in ("beyond", "machine"):
        if getattr(options, name) is not None:
            raise UsageError(
                f"--{name} belongs to --maps and --outlines", where="geoflow season", cure="leave it out, or add these"
            )
    from geoflow.report.season_split import made_text
    from geoflow.season.making import make_catalog

    made = make_catalog(options.make, options.glob, _fixed(options), replace=options.replace)
    document = {"catalog": options.make, "fields": made.fields, "columns": list(made.columns)}
    document["missing"] = list(made.missing)
    findings = bool(made.missing)
    return deliver(options, lambda: document, lambda: made_text(document), (Path(options.make),), findings=findings)


def _split(options: argparse.Namespace) -> int:
    from geoflow.report.season_split import split_text
    from geoflow.season.split_inputs import SplitAsked
    from geoflow.season.splitting import split_logs

    asked = SplitAsked(
        target=options.make, logs=options.glob, maps=options.maps, outlines=options.outlines, beyond=options.beyond,
        machine=options.machine,
    )  # fmt: skip
    found = split_logs(asked, _fixed(options), replacing=options.replace)
    document = found.document(options.make)
    return deliver(
        options,
        lambda: document,
        lambda: split_text(document, options.units),
        (Path(options.make),),
        findings=found.has_findings,
    )


def _check(options: argparse.Namespace) -> None:
    for name in ("glob", "maps", "outlines", "beyond", "machine"):
        if getattr(options, name) is not None:
            cure = "leave it out, or add --make FILE"
            raise UsageError(f"--{name} belongs to --make", where="geoflow season", cure=cure)
    if options.catalog is None or options.out is None:
        raise UsageError(
            "a catalog and --out are needed",
            where="geoflow season",
            cure="geoflow season CATALOG --out DIR, or make a catalog with --make FILE --glob PATTERN --job JOB",
        )
    if options.workers is not None and options.scheduler is not None:
        raise UsageError(
            "--workers starts processes here, --scheduler uses a cluster that has its own",
            where="geoflow season",
            cure="give one of them",
        )
    if (options.workers is not None and options.workers < 1) or options.retries < 0:
        raise UsageError("there is no such number of workers or retries", where="geoflow season", cure="give 1 or more")


def _season(options: argparse.Namespace) -> int:
    from geoflow.season.cluster import need_libraries

    need_libraries()
    if options.make is not None:
        return _make(options)
    _check(options)
    import secrets

    from geoflow.report.season_report import season_text
    from geoflow.season.catalog import read_catalog
    from geoflow.season.running import Running, check_folder, remove_orphans, run_season
    from geoflow.season.store import Store
    from geoflow.season.summary import read_records, season_document, write_summary
    from geoflow.season.urls import resolve

    here = str(Path.cwd())
    place = resolve(options.catalog, here)
    entries = read_catalog(place, _fixed(options), here)
    store = Store(resolve(options.out, here), secrets.token_hex(6))
    orphans = check_folder(store, entries, options.units, full=options.full, replace=options.replace)
    teller = _Teller()
    progress = None
    try:
        if options.replace:
            remove_orphans(store, orphans)
            orphans = []
        how = Running(
            workers=options.workers, scheduler=options.scheduler, retries=options.retries, system=options.units,
            full=options.full, replace=options.replace,
        )  # fmt: skip
        progress = run_season(entries, store, how, tell=teller)
        records = read_records(store, entries, progress.unrecorded)
        document = season_document(records, options.catalog, options.out, orphans=len(orphans), deaths=progress.deaths)
        written = write_summary(store, document, options.units)
    except KeyboardInterrupt:
        print(
            "\ngeoflow: stopped; the fields that were done are kept. Run the same command again to go on.",
            file=sys.stderr,
        )
        return _STOPPED
    finally:
        store.clear_parts()
    return deliver(
        options,
        lambda: document,
        lambda: season_text(document, options.units, written, progress.kept),
        (Path(options.catalog),),
        findings=document["totals"]["findings"] or document["totals"]["failed"],
    )


SEASON: Final = Command(
    "season",
    _season,
    help="vet, rewrite, plan, card or reconcile many fields at once, and rank the bars by what was found",
    description="Run vet, rewrite, plan, card or reconcile for every field of a catalog, on this machine's cores or "
    "on a Dask cluster. The same command goes on where it stopped. A catalog has one row per field: field, job, and a "
    "column for every option the field needs, named as the single command names it (rate_column for "
    "--rate-column). --make writes one; with --maps or --outlines it splits the logs of a machine's whole season by "
    "field first. docs/season.md tells more.",
    epilog='Example: geoflow season catalog.csv --temperature "38..46 degF" --out tomorrow. To make a catalog: '
    'geoflow season --make catalog.csv --glob "fields/*.zip" --job vet --bar bar.toml --temperature '
    '"35..50 degF" --speed "5 mph". ' + _CODES,
)
