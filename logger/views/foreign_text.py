"""What a guess makes of a foreign log, shown so that a person can say whether it is right."""

from datetime import tzinfo

import numpy as np

from logger.foreign_guess import DELIMITER_WORDS, Proposal
from logger.foreign_log import ForeignHeat
from logger.views.text import table
from logger.views.wording import date_words, duration_words, local_time, zone_words

ROWS_SHOWN = 4


def proposal_text(proposal: Proposal, heat: ForeignHeat, zone: tzinfo | None) -> str:
    """How the log was understood, its first and last rows as they would be taken over, what is doubtful."""
    mapping = proposal.mapping
    decimal = "comma" if mapping.decimal == "," else "point"
    columns = " and ".join(str(column) for column in mapping.time_columns)
    parted = DELIMITER_WORDS.get(mapping.delimiter, mapping.delimiter)
    zoned = f", zone {mapping.zone}" if mapping.zone else ""
    lines = [
        f"Columns parted by {parted}, decimal {decimal}, readings from line {mapping.first_row} on.",
        f"Time in column {columns}, written as {mapping.time_format}{zoned}.",
        *(
            f"Column {one.column}{_titled(proposal, one.column)}: channel {one.name}, °{one.unit}"
            for one in mapping.channels
        ),
        *(f"Left out: {one}" for one in proposal.left_out),
    ]
    if mapping.missing:
        lines.append(f"No reading: {', '.join(mapping.missing)}")
    blocks = ["\n".join(lines), heat_text(heat, zone)]
    if proposal.doubts:
        blocks.append("\n".join(f"? {one}" for one in proposal.doubts))
    return "\n\n".join(blocks)


def _titled(proposal: Proposal, column: int) -> str:
    title = proposal.titles[column - 1] if len(proposal.titles) >= column else ""
    return f' "{title}"' if title else ""


def heat_text(heat: ForeignHeat, zone: tzinfo | None) -> str:
    """The heat as it would be taken over: how long, how hot, its first and last rows."""
    count = heat.time_s.size
    places = sorted({*range(min(ROWS_SHOWN, count)), *range(max(count - ROWS_SHOWN, 0), count)})
    channels = heat.mapping.channels
    rows = []
    for before, place in zip([-1, *places], places, strict=False):
        if place - before > 1:
            rows.append(("...", *("" for _ in range(len(channels) + 1))))
        rows.append(
            (
                f"{heat.time_s[place]:.1f} s",
                _moment(heat, float(heat.time_s[place]), zone),
                *(_value(heat.values[one.name][place], one.unit) for one in channels),
            )
        )
    head = ("time", "wall clock", *(one.name for one in channels))
    spans = [
        f"{one.name} {np.nanmin(heat.values[one.name]):g} to {np.nanmax(heat.values[one.name]):g} {one.unit}, "
        f"{int(np.isnan(heat.values[one.name]).sum())} without a reading"
        for one in channels
        if np.isfinite(heat.values[one.name]).any()
    ]
    said = [f"{count} rows over {duration_words(float(heat.time_s[-1]))}. {'; '.join(spans)}."]
    said += [f"{remark[:1].upper()}{remark[1:]}." for remark in heat.remarks]
    return table(head, rows) + "\n\n" + "\n".join(said)


def _moment(heat: ForeignHeat, time_s: float, zone: tzinfo | None) -> str:
    if heat.start_utc_s is None:
        return "not known"
    utc_s = heat.start_utc_s + time_s
    return f"{date_words(utc_s, zone)} {local_time(utc_s, zone):%H:%M:%S} {zone_words(utc_s, zone)}"


def _value(value: float, unit: str) -> str:
    return "no reading" if np.isnan(value) else f"{value:g} {unit}"
