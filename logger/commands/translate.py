"""``soaktally translate``: a log of something else as a TRACE.csv, or as a run in the record."""

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import Literal

import click

from logger.commands.shared_options import told_plainly


@click.command()
@click.argument("log", metavar="LOG", type=click.Path(readable=False, path_type=Path))
@click.option(
    "-o", "--output", metavar="TRACE.csv", type=click.Path(readable=False, path_type=Path), help="Write a trace here."
)
@click.option(
    "--record",
    type=click.Path(readable=False, path_type=Path),
    help="Or put it into this record as a run; needs --sheet.",
)
@click.option(
    "--sheet",
    "sheet_file",
    metavar="SHEET.toml",
    type=click.Path(readable=False, path_type=Path),
    help="The run's sheet.",
)
@click.option("--oven", metavar="NAME", default="oven", show_default=True, help="The oven it was heated in.")
@click.option(
    "--mapping",
    "mapping_file",
    metavar="MAP.toml",
    type=click.Path(readable=False, path_type=Path),
    help="How it is laid out.",
)
@click.option(
    "--write-mapping",
    metavar="MAP.toml",
    type=click.Path(readable=False, path_type=Path),
    help="Write the guess, to correct it.",
)
@click.option("--zone", default="", metavar="ZONE", help='Of dates without an offset: "Europe/Vienna" or "+01:00".')
@click.option("--day-first/--month-first", "day_first", default=None, help="Where dates could be read both ways.")
@click.option("--unit", type=click.Choice(["C", "F"]), help="Of temperatures where the log does not say.")
@click.option(
    "--started", metavar="MOMENT", help="When the first row was, if the log does not say: 2026-03-14T19:40+01:00."
)
@click.option("--yes", is_flag=True, help="Take the guess as it is, without asking.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object: how it was read, and where it went.")
def translate(
    log: Path,
    output: Path | None,
    record: Path | None,
    sheet_file: Path | None,
    oven: str,
    mapping_file: Path | None,
    write_mapping: Path | None,
    zone: str,
    day_first: bool | None,
    unit: Literal["C", "F"] | None,
    started: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Read any table of times and temperatures, and make a TRACE.csv or a recorded run of it.

    How the table is laid out is guessed and shown: what parts the columns, the decimal sign, how dates are written,
    which columns are temperatures, in °C or °F. Nothing is written before you say yes, give --yes, or give a --mapping
    file that says it. The log itself is only read.
    """
    with told_plainly():
        from dataclasses import asdict

        from logger.errors import Fault, InputFault, OutsideFault
        from logger.foreign_guess import Proposal, propose
        from logger.foreign_log import apply, decoded, trace_text, zone_of
        from logger.foreign_mapping_file import mapping_text, read_mapping
        from logger.foreign_run import keep_run
        from logger.views.foreign_text import proposal_text

        if record is not None and sheet_file is None:
            raise InputFault(Fault("--sheet", "nothing", "the run sheet, for a run in the record"))
        start_utc_s = None if started is None else _moment_s(started)
        text, encoding = decoded(log)
        if mapping_file is not None:
            proposal = Proposal(read_mapping(mapping_file), (), (), ())
        else:
            proposal = propose(text, encoding, zone=zone, day_first=day_first, unit=unit)
        heat = apply(text, proposal.mapping, log.name)
        if not as_json:
            click.echo(proposal_text(proposal, heat, zone_of(proposal.mapping.zone)))
        if write_mapping is not None:
            _write(write_mapping, mapping_text(proposal.mapping))
            click.echo(f"\nMapping: {write_mapping}", err=as_json)
        said: dict[str, object] = {
            "mapping": asdict(proposal.mapping),
            "doubts": list(proposal.doubts),
            "left_out": list(proposal.left_out),
            "remarks": list(heat.remarks),
            "rows": int(heat.time_s.size),
            "started_utc_s": heat.start_utc_s,
        }
        if output is not None or record is not None:
            if mapping_file is None and not yes:
                asked = sys.stdin.isatty() and not as_json
                if not asked:
                    expected = "--yes if the guess is right, or a --mapping that says how it is laid out"
                    raise InputFault(Fault(str(log), "a guess that nobody has confirmed", expected))
                if not click.confirm("\nIs that right?"):
                    raise InputFault(
                        Fault(str(log), "a guess that is not right", "--write-mapping MAP.toml, to correct it")
                    )
            if output is not None:
                _write(output, trace_text(heat))
                said["trace"] = str(output)
                click.echo(f"\nTrace: {output}", err=as_json)
            if record is not None and sheet_file is not None:
                try:
                    run = keep_run(
                        record, heat, oven=oven, sheet_file=sheet_file, source=log.name, started_utc_s=start_utc_s
                    )
                except OSError as error:
                    raise OutsideFault(f"{sheet_file}: {(error.strerror or str(error)).lower()}") from error
                said["run"] = run
                click.echo(f"\nRun: {run} in {record}", err=as_json)
        if as_json:
            click.echo(json.dumps(said, ensure_ascii=False))


def _moment_s(text: str) -> float:
    from logger.errors import Fault, InputFault

    expected = "a date and time with its offset from UTC, such as 2026-03-14T19:40+01:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise InputFault(Fault("--started", f'"{text}"', expected)) from None
    if moment.tzinfo is None:
        raise InputFault(Fault("--started", f'"{text}" without an offset', expected))
    return moment.timestamp()


def _write(file: Path, text: str) -> None:
    from logger.errors import Fault, InputFault, OutsideFault

    if file.exists():
        raise InputFault(Fault(str(file), "a file of that name", "a name that is free"))
    try:
        file.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise OutsideFault(f"{file}: could not be written: {(error.strerror or str(error)).lower()}") from error
