"""A piece in plain text: its ledger, what it is now, what to do next; and a list of pieces."""

import textwrap
from collections.abc import Sequence
from datetime import tzinfo
from math import inf, isfinite

from logger.estimate.bands import Band
from logger.piece import Condition, PieceState
from logger.piece_now import EDGE_LEAST_M, EDGE_WT_PCT, EVEN_WT_PCT, Evening, HardnessNow, Next, NextStep, PieceNow
from logger.piece_steps import (
    Begin,
    Clad,
    Cut,
    DrawOut,
    Entry,
    Finding,
    Fold,
    Grind,
    HeatRun,
    HeatTyped,
    Measure,
    Quench,
    Stack,
    Step,
    Temper,
    TemperRun,
    Undo,
    Used,
)
from logger.sheet_parts import Pack, Shape, SurfaceKind
from logger.steel.phase_limits import EUTECTOID_WT_PCT
from logger.units import DisplayUnits, FloatArray
from logger.views.carbon_words import warning_words
from logger.views.cautions import Moment, caution
from logger.views.text import TEXT_LETTERS, printable, table, table_rows
from logger.views.wording import (
    carbon_words,
    clock_words,
    date_words,
    duration_words,
    hardness_words,
    length_number,
    length_words,
    plain_length_words,
    temperature_range_words,
    temperature_words,
)

FACES = {SurfaceKind.SEALED: "faces sealed", SurfaceKind.OPEN_AIR: "bare in air", SurfaceKind.PACK: "in a pack"}


def step_words(step: Step, units: DisplayUnits, is_round: bool = False) -> str:
    """What a step was, in one line; ``is_round``: of a round, which has no front and no back."""
    match step:
        case Begin():
            size = "diameter" if step.shape is Shape.ROUND else "thick"
            steel = f"{step.steel}, " if step.steel else ""
            lot = f", lot {step.iron_lot}" if step.iron_lot else ""
            alike = f"{step.count} alike, " if step.count > 1 else ""
            carbon = f"{step.carbon_wt_pct:.2f} % C"
            if step.stated_carbon_wt_pct is not None:
                carbon += f" by coupons of its lot ({step.stated_carbon_wt_pct:.2f} stated)"
            return f"new: {alike}{steel}{length_words(step.size_m, units)} {size}, {carbon}{lot}"
        case HeatRun(run, correction):
            return f"heat: run {run}" + ("" if correction is None else ", corrected by coupons")
        case HeatTyped():
            at = f"{temperature_words(step.temperature_K, units)} for {duration_words(step.duration_s)}"
            faces = f"in {Pack(step.recipe, lot=step.pack_lot).known_as}" if step.recipe else FACES[step.surface]
            corrected = "" if step.correction is None else ", corrected by coupons"
            return f"{step.purpose}: {at}, {faces}{corrected} (not logged)"
        case Grind(front_m, _) if is_round:
            return f"grind: {length_words(front_m, units)} all round"
        case Grind(front_m, back_m):
            off = [
                f"{length_words(m, units)} off the {name}" for name, m in (("front", front_m), ("back", back_m)) if m
            ]
            return f"grind: {', '.join(off)}"
        case Stack(parts, count):
            names = " + ".join(part.piece + (" turned" if part.turned else "") for part in parts)
            return f"stack: {names}" + (f", {count} alike" if count > 1 else "")
        case Used(count, into):
            return f"used: {count} went into {into}"
        case Clad():
            faces = "both faces" if step.front and step.back else "the front" if step.front else "the back"
            size = length_words(step.thickness_m, units)
            return f"clad: {size} of {step.steel or 'jacket'}, {step.carbon_wt_pct:.2f} % C, on {faces}"
        case DrawOut(size_m, width_m):
            wide = f", {length_words(width_m, units)} wide" if width_m else ""
            return f"draw out: to {length_words(size_m, units)}{wide}"
        case Fold(times):
            return "fold: once" if times == 1 else f"fold: {times} times"
        case Cut(pieces, across):
            return f"cut: into {pieces}{' across its width' if across else ' along its length'}"
        case Quench(temperature_K, bath):
            return f"quench: from {temperature_words(temperature_K, units)} in {bath}"
        case Temper(temperature_K, duration_s, times):
            many = "" if times == 1 else f", {times} times"
            return f"temper: {temperature_words(temperature_K, units)} for {duration_words(duration_s)}{many}"
        case TemperRun(run):
            return f"temper: run {run}"
        case Measure():
            at = f" at {length_words(step.depth_m, units)}" if step.finding in _AT_DEPTH else ""
            return f"measure: {step.finding}{at} {measured_words(step)}"
        case Undo(number):
            return f"undo: step {number} did not happen"


_AT_DEPTH = (Finding.HARDNESS, Finding.CARBON)


def measured_words(step: Measure) -> str:
    """The value of a measurement."""
    return f"{step.value:.1f} HRC" if step.finding is Finding.HARDNESS else carbon_words(step.value)


def size_words(state: PieceState, units: DisplayUnits) -> str:
    """Size of a piece and how many there are."""
    size = length_words(state.section.size_m, units)
    what = f"{size} {'round' if state.section.shape is Shape.ROUND else 'thick'}"
    if state.width_m is not None:
        what += f", {plain_length_words(state.width_m, units)} wide"
    if state.length_m is not None:
        what += f", {plain_length_words(state.length_m, units)} long"
    return what if state.count == 1 else f"{state.count} alike, each {what}"


def carbon_band(value: Band) -> str:
    """Carbon with its band [wt%]: ``0.60 % C (0.45 to 0.71)``."""
    low, middle, high = value
    return f"{carbon_words(middle)} ({low:.2f} to {high:.2f})"


def length_band(value: Band, units: DisplayUnits) -> str:
    """A length with its band [m]: ``0.28 mm (0.10 to 0.41)``."""
    low, middle, high = value
    return f"{length_words(middle, units)} ({length_number(low, units)} to {length_number(high, units)})"


def ledger_text(
    name: str,
    lines: Sequence[tuple[Entry, PieceNow | None]],
    now: PieceNow,
    units: DisplayUnits,
    zone: tzinfo | None,
) -> str:
    """A piece's ledger and what it is now.

    Parameters
    ----------
    name : what the piece is called
    lines : every line with what the piece was after it; None for lines that do not count
    now : what it is after the last
    units : the reader's
    zone : of the times; None: this machine's
    """
    state = now.state
    rows = []
    for entry, then in lines:
        mean, spread = ("", "") if then is None else (_short(then.mean_wt_pct), f"{then.unevenness_wt_pct[1]:.2f}")
        what = step_words(entry.step, units, state.section.shape is Shape.ROUND)
        undone = then is None and not isinstance(entry.step, Undo)
        rows.append(
            (
                str(entry.number),
                f"{date_words(entry.utc_s, zone)} {clock_words(entry.utc_s, zone)}",
                f"[undone] {what}" if undone else what,
                mean,
                spread,
                entry.note,
            )
        )
    head = ("step", "entered", "what", "mean % C", "uneven by", "note")
    blocks = [
        [f"{name}: {size_words(state, units)}; {state.condition}{_grain(state)}"],
        table(head, rows).split("\n"),
        ["Carbon now", *_indented(table_rows(_carbon_rows(now, units)))],
    ]
    if len(now.layers) > 1:
        layers = table(("layer", "from", "to", "mean", "taken up since they were joined"), _layer_rows(now, units))
        given = [line for words in _given_words(now) for line in _wrapped(words)]
        blocks.append(["Layers, front to back", *_indented(layers.split("\n")), *given])
    blocks.append(["An edge", *_wrapped(edge_words(now, units))])
    if now.hardness is not None:
        blocks.append([_hardness_heading(now.hardness, units), *_indented(_hardness_rows(now, now.hardness, units))])
    found = measurement_words(lines, units)
    if found:
        blocks.append(["Measured against reckoned", *(line for words in found for line in _wrapped(words))])
    if state.warnings:
        blocks.append(
            ["The last heat", *(line for words in _heat_words(state, units) for line in _wrapped(f"! {words}"))]
        )
    blocks.append(["What to do next", *(line for words in next_words(now, units) for line in _wrapped(words))])
    moment = moment_of(now)
    if moment is not None:
        blocks.append(textwrap.wrap(caution(moment), TEXT_LETTERS))
    return "\n\n".join("\n".join(printable(line) for line in block) for block in blocks)


def _grain(state: PieceState) -> str:
    return ", grain coarse from a hot heat" if state.coarse else ""


def _short(value: Band) -> str:
    low, middle, high = value
    return f"{middle:.2f} ({low:.2f}-{high:.2f})"


def _carbon_rows(now: PieceNow, units: DisplayUnits) -> list[tuple[str, str]]:
    is_round = now.state.section.shape is Shape.ROUND
    rows = [
        ("mean", carbon_band(now.mean_wt_pct)),
        ("on the axis" if is_round else "at mid-thickness", carbon_band(now.core_wt_pct)),
        ("at the surface" if is_round else "at the front face", carbon_band(now.front_wt_pct)),
    ]
    if not is_round:
        rows.append(("at the back face", carbon_band(now.back_wt_pct)))
    rows.append(("highest less lowest", _percent_band(now.unevenness_wt_pct)))
    low, middle, high = now.gain_kg_per_m2
    if abs(middle) > 5e-4:
        what = "taken up" if middle > 0.0 else "lost to the air"
        least, most = sorted((abs(low), abs(high)))
        numbers = f"{1e3 * abs(middle):.0f} g/m2 ({1e3 * least:.0f} to {1e3 * most:.0f}) of face"
        rows.append((f"{what} in the last heat", numbers))
    for words, depths in (("above 1.0 % C", now.rich_m), ("decarburized", now.poor_m)):
        for face, depth in zip(("surface" if is_round else "front", "back"), depths, strict=True):
            if depth[1] > 0.0:
                rows.append((f"{words}, from the {face}", length_band(depth, units)))
    return rows


def _heat_words(state: PieceState, units: DisplayUnits) -> list[str]:
    """What the last heat did that wants looking after."""
    if state.last_heat is None:
        return [warning.words for warning in state.warnings]
    return [warning_words(warning, state.last_heat, units) for warning in state.warnings]


def _percent_band(value: Band) -> str:
    low, middle, high = value
    return f"{middle:.2f} % ({low:.2f} to {high:.2f})"


def _layer_rows(now: PieceNow, units: DisplayUnits) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for layer in now.layers:
        low, middle, high = layer.received_wt_pct
        rows.append(
            (
                layer.name,
                length_words(layer.from_m, units),
                length_words(layer.to_m, units),
                carbon_band(layer.mean_wt_pct),
                f"{middle:+.3f} % ({low:+.3f} to {high:+.3f})",
            )
        )
    return rows


def _given_words(now: PieceNow) -> list[str]:
    """Which layers have given carbon to what lies beside them."""
    last = len(now.layers) - 1
    found = []
    for number, layer in enumerate(now.layers):
        low, middle, high = layer.given_share
        if middle >= 0.01:
            to = "to its neighbours" if 0 < number < last else "to its neighbour and its face"
            found.append(
                f"Layer {number + 1}, {layer.name}: gave {middle:.0%} ({low:.0%} to {high:.0%}) of its carbon {to}."
            )
    return found


def edge_words(now: PieceNow, units: DisplayUnits) -> str:
    """Whether there is carbon for an edge, and where."""
    least = f"{EDGE_WT_PCT:.2f} % C"
    if now.edge is None:
        richest = float(now.state.section.carbon_wt_pct[0].max())
        return f"No: the richest place has {richest:.2f} % C, an edge that stays wants {least} (common practice)."
    edge = now.edge
    face = "surface" if now.state.section.shape is Shape.ROUND else "front face"
    where = f"{length_words(edge.from_m, units)} to {length_words(edge.to_m, units)} below the {face}"
    sure = f"{edge.share:.0%} of the cases reckoned keep {length_words(EDGE_LEAST_M, units)} of it or more"
    thin = "" if edge.thickness_m[1] >= EDGE_LEAST_M else " Too thin to meet along a ground edge."
    return f"At least {least} over {length_band(edge.thickness_m, units)}, {where}; {sure}.{thin}"


def _hardness_heading(hardness: HardnessNow, units: DisplayUnits) -> str:
    at = temperature_words(hardness.from_K, units)
    if hardness.supposed:
        return f"Hardness where the quench is fast enough, were it quenched from {at}"
    tempered = ", tempered" if hardness.tempered else ", as quenched"
    return f"Hardness where the quench was fast enough, from {at} in {hardness.bath}{tempered}"


def _hardness_rows(now: PieceNow, hardness: HardnessNow, units: DisplayUnits) -> list[str]:
    depth_m = now.state.section.depth_m
    is_round = now.state.section.shape is Shape.ROUND
    places = [("surface" if is_round else "front face", 0.0), ("a quarter in", 0.25), ("half way in", 0.5)]
    places += [("axis", 1.0)] if is_round else [("three quarters in", 0.75), ("back face", 1.0)]
    rows = []
    for name, part in places:
        nearest = int(abs(hardness.depth_m - part * depth_m).argmin())
        rows.append((name, length_words(part * depth_m, units), hardness_band(hardness.HRC[:, nearest])))
    lines = table_rows(rows)
    for note in hardness.notes:
        lines += textwrap.wrap(note.said(units), TEXT_LETTERS - 4, subsequent_indent="  ")
    return lines


def hardness_band(values: FloatArray) -> str:
    """Hardness with its band [HRC]: ``64 HRC (61 to 66)``."""
    low, middle, high = values.tolist()
    if not isfinite(middle):
        return "soft (below the Rockwell C scale)"
    if not isfinite(low):
        return f"{hardness_words(middle)} (up to {high:.0f})"
    return f"{hardness_words(middle)} ({low:.0f} to {high:.0f})"


def measurement_words(lines: Sequence[tuple[Entry, PieceNow | None]], units: DisplayUnits) -> list[str]:
    """Every measurement beside what had been reckoned for it."""
    found = []
    for entry, then in lines:
        if then is None or not isinstance(entry.step, Measure):
            continue
        reckoned = then.reckoned(entry.step)
        if reckoned is None:
            found.append(f"step {entry.number}: {step_words(entry.step, units)}; nothing reckoned to hold it against")
            continue
        low, middle, high = reckoned
        digits, unit = (0, "HRC") if entry.step.finding is Finding.HARDNESS else (2, "% C")
        said = f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"
        inside = "inside the band" if low <= entry.step.value <= high else "OUTSIDE the band"
        found.append(f"step {entry.number}: {step_words(entry.step, units)}; reckoned {said} {unit}: {inside}")
    return found


def next_words(now: PieceNow, units: DisplayUnits) -> list[str]:
    """What to do next, one sentence or two each, in order."""
    return [_next_words(step, now, units) for step in now.next_steps]


def _off(step: NextStep, now: PieceNow, units: DisplayUnits) -> str:
    if now.state.section.shape is Shape.ROUND:
        return f"{length_words(step.front_m, units)} all round"
    return f"{length_words(step.front_m, units)} off the front, {length_words(step.back_m, units)} off the back"


def _next_words(step: NextStep, now: PieceNow, units: DisplayUnits) -> str:
    window = "" if step.window is None else temperature_range_words(step.window.low_K, step.window.high_K, units)
    match step.what:
        case Next.GRIND_CAST:
            return f"Grind off the cast-iron skin before any other heat: {_off(step, now, units)}."
        case Next.GRIND_RICH:
            return (
                f"Grind off what is above 1.0 % C and brittle: {_off(step, now, units)}. Or let it sink in: hold "
                "it hot with the faces sealed, which keeps the carbon."
            )
        case Next.GRIND_POOR:
            return f"Grind off the decarburized skin before the quench, or it stays soft: {_off(step, now, units)}."
        case Next.MORE_CARBON:
            if isfinite(step.carbon_wt_pct) and step.carbon_wt_pct >= EDGE_WT_PCT:
                return "The zone with carbon for an edge is too thin: carburize again, or start from a thicker core."
            return "Not enough carbon for an edge: carburize again, longer, or use it as a jacket."
        case Next.EVEN_OUT:
            return (
                f"Carbon differs by {step.carbon_wt_pct:.2f} % through the section: more welding heats or folds even "
                f"it out to within {EVEN_WT_PCT:.2f} %. Ask with: soaktally piece even NAME --at TEMPERATURE --for TIME"
            )
        case Next.NORMALIZE:
            rich = float(now.state.section.carbon_wt_pct[0].max()) > EUTECTOID_WT_PCT + 0.1
            why = "to break up the carbide network" if rich else "to refine the grain"
            return (
                f"Normalize from {window} {why}: cool in still air, two or three times, each no hotter than the last."
            )
        case Next.HARDEN:
            return f"Harden from {window} ({step.carbon_wt_pct:.2f} % C where it is richest), then temper at once."
        case Next.TEMPER:
            return f"Temper at once: {window}, twice, 1 to 2 h each, is usual for edges."
        case Next.MEASURE:
            return "Measure it: hardness on a ground spot, or cut and etch its sister, and enter it with piece measure."


def moment_of(now: PieceNow) -> Moment | None:
    """What somebody is about to do that wants a caution."""
    if now.state.condition is Condition.QUENCHED:
        return Moment.AFTER_QUENCH
    if any(step.what is Next.HARDEN for step in now.next_steps):
        return Moment.QUENCHING
    return None


def evening_text(name: str, found: Evening, units: DisplayUnits) -> str:
    """How long, how many heats or folds until a piece is even."""
    at = temperature_words(found.temperature_K, units)
    low, middle, high = found.time_s
    lines = [
        f"{name}: carbon differs by {_percent_band(found.now_wt_pct)} through the section now.",
        f"With the faces sealed at {at} it is even to within {found.within_wt_pct:.2f} % after "
        f"{_long(middle)} at heat ({_long(low)} to {_long(high)}).",
        f"In heats of {duration_words(found.heat_s)}: {_times(found.heats[0])}, {_times(found.heats[1])} to be sure.",
    ]
    if found.folds is not None:
        likely, sure = found.folds
        lines.append(
            f"Folded and drawn out again before each heat: {likely} fold{'s' * (likely != 1)}, {sure} to be sure."
        )
    lines.append("Diffusion alone; what the hammer mixes and the fire takes from bare faces comes on top.")
    return "\n".join(line for words in lines for line in textwrap.wrap(words, TEXT_LETTERS, subsequent_indent="  "))


def _long(time_s: float) -> str:
    return "more than 100 h" if time_s == inf else duration_words(time_s)


def _times(heats: float) -> str:
    return "more than can be" if heats == inf else f"{heats:.0f}"


def pieces_text(pieces: Sequence[tuple[PieceNow, DisplayUnits]]) -> str:
    """Pieces, each in its units, as a table, one a line."""
    if not pieces:
        return "No pieces in the record yet. Begin one with: soaktally piece new"
    rows = [
        (
            now.state.name,
            "used up" if now.state.count == 0 else size_words(now.state, units),
            _short(now.mean_wt_pct),
            str(now.state.condition),
            "" if not now.next_steps else str(now.next_steps[0].what),
        )
        for now, units in pieces
    ]
    return table(("piece", "size", "mean % C", "is", "next"), rows)


def _indented(lines: Sequence[str]) -> list[str]:
    return [f"  {line}" for line in lines]


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, TEXT_LETTERS, initial_indent="  ", subsequent_indent="    ")
