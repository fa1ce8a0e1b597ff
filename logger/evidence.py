"""Evidence of a run: a folder (or one zip) of plain files with a checksum of each, to keep or to hand over."""

import hashlib
import json
import tempfile
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from logger.acceptance import Requirement
from logger.errors import Fault, InputFault, OutsideFault
from logger.record import RecordReader
from logger.record_export import export_run
from logger.situation import Situation
from logger.views.acceptance import verdict_object, verdict_of, verdict_text
from logger.views.contract import review_object
from logger.views.report import report_of
from logger.views.report_files import write_report
from logger.views.report_html import Paper
from logger.views.report_photos import photos_of

SUMS: Final = "SHA256SUMS"

ABOUT = """\
Evidence of run {run}, as soaktally recorded it.

{run}.csv          every reading, one row for each moment, with what the controller answered
{run}.jsonl        everything else of the run: sheet, alerts and who acknowledged them, events, notes
sheet.toml         the run sheet, letter for letter
review.json        every number that was worked out, with its range and the versions of software and data
acceptance.json    the soak, question by question; acceptance.txt says the same in words
report.pdf         the run on one page; report.html the same for a browser
SHA256SUMS         the SHA-256 checksum of every file here but itself

Check that nothing has changed:     sha256sum --check SHA256SUMS
                              or:   soaktally evidence --check .
The checksums show accidents. Against forgery, keep a copy of SHA256SUMS somewhere else, or have it signed.
"""


def write_evidence(
    record: Path, situation: Situation, requirement: Requirement, target: Path, paper: Paper = "A4"
) -> tuple[str, ...]:
    """Write the evidence of a recorded run into a new folder, or into one file where the name ends in .zip.

    Returns    the names of the files in it
    Raises     InputFault      something is there already; the situation is not of a recorded run
               OutsideFault    the disk is full or not writable
    """
    if not situation.run:
        raise InputFault(Fault("evidence", "a trace", "a run in the record: evidence is what was recorded"))
    if target.exists():
        raise InputFault(Fault(f"evidence {target}", "something of that name", "a name that is free"))
    try:
        if target.suffix.lower() != ".zip":
            target.mkdir(parents=True)
            return _fill(record, situation, requirement, target, paper)
        with tempfile.TemporaryDirectory(dir=target.parent) as folder:
            names = _fill(record, situation, requirement, Path(folder), paper)
            at = datetime.fromtimestamp(situation.now_utc_s or 0.0, UTC)
            with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED) as packed:
                for name in names:
                    entry = zipfile.ZipInfo(f"{target.stem}/{name}", (max(at.year, 1980), *at.timetuple()[1:6]))
                    entry.compress_type = zipfile.ZIP_DEFLATED
                    packed.writestr(entry, (Path(folder) / name).read_bytes())
            return names
    except OSError as error:
        raise OutsideFault(f"evidence {target}: {(error.strerror or str(error)).lower()}") from None


def _fill(record: Path, situation: Situation, requirement: Requirement, folder: Path, paper: Paper) -> tuple[str, ...]:
    with RecordReader(record) as reader:
        row = reader.run(situation.run)
        export_run(reader, row.id, folder)
    verdict = verdict_of(situation, requirement)
    units = situation.problem.sheet.display
    texts = {
        "README.txt": ABOUT.format(run=row.id),
        "sheet.toml": row.sheet_text,
        "review.json": _json(review_object(situation)),
        "acceptance.json": _json(verdict_object(situation, verdict)),
        "acceptance.txt": verdict_text(situation, verdict, units) + "\n",
    }
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode("utf-8"))
    report = report_of(situation, photos=photos_of(situation))
    for name in ("report.pdf", "report.html"):
        write_report(report, situation, folder / name, paper)
    names = sorted(file.name for file in folder.iterdir())
    sums = "".join(f"{_sha256((folder / name).read_bytes())}  {name}\n" for name in names)
    (folder / SUMS).write_bytes(sums.encode("utf-8"))
    return (*names, SUMS)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def check_evidence(where: Path) -> tuple[str, ...]:
    """Compare a folder or zip of evidence with its checksums.

    Returns    the names of the files that agree
    Raises     InputFault    no such evidence; each file that is missing, changed, or was added, as a fault of its own
    """
    files = _contents(where)
    if SUMS not in files:
        raise InputFault(Fault(f"evidence {where}", f"no {SUMS}", "a folder or a zip that `soaktally evidence` wrote"))
    listed: dict[str, str] = {}
    faults = []
    for number, line in enumerate(files.pop(SUMS).decode("utf-8", "replace").splitlines(), start=1):
        digest, parted, name = line.partition("  ")
        if not parted or len(digest) != 64:
            faults.append(Fault(f"{where}/{SUMS}, line {number}", "something else", "a checksum and a file name"))
            continue
        listed[name] = digest
    for name, digest in listed.items():
        if name not in files:
            faults.append(Fault(f"{where}/{name}", "no such file", "the file that was written"))
        elif _sha256(files[name]) != digest:
            faults.append(Fault(f"{where}/{name}", "a file that was changed", "the file that was written"))
    faults += [
        Fault(f"{where}/{name}", "a file without a checksum", "only files that were written")
        for name in files
        if name not in listed
    ]
    if faults:
        raise InputFault(faults)
    return tuple(listed)


def _contents(where: Path) -> dict[str, bytes]:
    try:
        if where.is_dir():
            return {file.name: file.read_bytes() for file in sorted(where.iterdir()) if file.is_file()}
        with zipfile.ZipFile(where) as packed:
            names = [name for name in packed.namelist() if not name.endswith("/")]
            return {name.rpartition("/")[2]: packed.read(name) for name in names}
    except FileNotFoundError:
        raise InputFault(Fault(f"evidence {where}", "nothing of that name", "a folder or a zip")) from None
    except (zipfile.BadZipFile, OSError) as error:
        raise InputFault(Fault(f"evidence {where}", str(error), "a folder or a zip that can be read")) from None
