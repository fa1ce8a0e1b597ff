"""The report on one printed page, A4 or Letter, as a PDF whose words can be searched and copied.

The page is drawn larger than paper, so that the panels stand in it at the size they are made for, and is then scaled
down to the paper as a whole. What does not fit is left to the HTML report, and the page says so.
"""

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, partial

import matplotlib
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from pypdf import PdfReader, PdfWriter

from logger.alert_rules import Severity
from logger.views import look
from logger.views.panel import drawable, style, width_pt
from logger.views.report import Report, Table
from logger.views.report_html import SIGNS, Paper
from logger.views.report_pictures import ABOVE_IN, BELOW_IN, PANEL_WIDTH_IN, Panel, place
from logger.views.wording import unbroken

PAPERS_IN: dict[Paper, tuple[float, float]] = {"A4": (8.268, 11.693), "Letter": (8.5, 11.0)}
MARGIN_IN, GUTTER_IN = 0.45, 0.28
"""Margin around the page and space between its two columns, on paper [in]."""

SIZES_PT = (12.4, 11.4, 10.6, 9.8, 9.0)
"""Sizes of the small letters that are tried, as drawn [points]: the largest at which everything fits is taken."""

INSIDE_IN = (2.35, 2.0, 1.75)
"""Heights of the panels between their axes that are tried, as drawn [in]."""

USEFUL = ("notes", "alerts", "stages", "sensors", "advice", "what the numbers rest on")
"""What may be left out of a full page, the most useful first."""

BESIDE_IN = 0.12
"""How far below the top of a panel the words beside it begin, as drawn [in]."""

LEADING = 1.28
GAP_PT = 9.0
"""From one line to the next, in letter sizes; and between two columns of a table [points]."""

COLOURS = {
    "news": look.CARBON,
    "warning": look.SOAK_EDGE,
    "danger": look.DANGER,
}


def report_pdf(report: Report, panels: tuple[Panel, ...], paper: Paper = "A4") -> bytes:
    """The report as a PDF file of one page."""
    with style(), matplotlib.rc_context({"pdf.fonttype": 42, "pdf.compression": 6}):
        tries = [(size_pt, inside_in) for inside_in in INSIDE_IN for size_pt in SIZES_PT]
        sheets = (_Sheet(report, panels, paper, size_pt, inside_in) for size_pt, inside_in in tries)
        fitting = next((sheet for sheet in sheets if sheet.fits()), None)
        if fitting is None:
            fitting = _Sheet(report, panels, paper, *tries[-1])
            fitting.shorten()
        drawn, scale = fitting.drawn()
        out = io.BytesIO()
        drawn.savefig(out, format="pdf", metadata={"Title": report.title, "CreationDate": None})
    return _scaled(out.getvalue(), scale, report)


def _scaled(page: bytes, scale: float, report: Report) -> bytes:
    reader = PdfReader(io.BytesIO(page))
    writer = PdfWriter()
    writer.add_page(reader.pages[0])
    writer.pages[0].scale_by(scale)
    about = " ".join(said.words for said in report.under)
    writer.add_metadata({"/Title": report.title, "/Subject": about, "/Creator": "soaktally"})
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@cache
def _width(words: str, size_pt: float, weight: str) -> float:
    return width_pt(words, size_pt, weight)


def _lines(words: str, room_pt: float, size_pt: float, weight: str = "normal") -> list[str]:
    """Words broken into lines that fit; a word wider than the room is cut."""
    lines: list[str] = [""]
    for word in unbroken(drawable(words)).split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if _width(longer, size_pt, weight) <= room_pt:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        while word and _width(word, size_pt, weight) > room_pt:
            fit = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or _width(word[:n], size_pt, weight) <= room_pt)
            lines[-1] = word[:fit]
            lines.append("")
            word = word[fit:]
        lines[-1] = word
    return lines


@dataclass(slots=True)
class _Cell:
    """Words at a place of a block: offsets from its left edge and from its top [points]."""

    x_pt: float
    y_pt: float
    words: str
    size_pt: float
    weight: str = "normal"
    colour: str = look.INK


@dataclass(slots=True)
class _Block:
    """A laid out part of the page: its height [points], words, and lines (from x, to x, y, colour) [points]."""

    height_pt: float = 0.0
    cells: list[_Cell] = field(default_factory=list)
    rules: list[tuple[float, float, float, str]] = field(default_factory=list)


class _Sheet:
    """One try at the page."""

    def __init__(
        self, report: Report, panels: tuple[Panel, ...], paper: Paper, size_pt: float, inside_in: float
    ) -> None:
        self.report, self.panels = report, panels
        width_in, height_in = PAPERS_IN[paper]
        column_in = (width_in - 2 * MARGIN_IN - GUTTER_IN) / 2.0
        self.enlarged = PANEL_WIDTH_IN / column_in
        self.width_in, self.height_in = width_in * self.enlarged, height_in * self.enlarged
        self.left_in, self.gutter_in = MARGIN_IN * self.enlarged, GUTTER_IN * self.enlarged
        self.column_pt = PANEL_WIDTH_IN * 72.0
        self.full_pt = (self.width_in - 2 * self.left_in) * 72.0
        self.size_pt, self.inside_in = size_pt, inside_in
        self.left_out: list[str] = []
        self.head = self._head()
        self.pairs = self._pairs()
        self.wide = self._wide()

    # What there is ---------------------------------------------------------------------------------------------------

    def _head(self) -> _Block:
        report, block = self.report, _Block()
        self._words(block, report.title, self.full_pt, look.TITLE_PT, "bold")
        self._words(
            block, " · ".join(part.words for part in report.under), self.full_pt, self.size_pt, "normal", look.FAINT_INK
        )
        block.height_pt += 5.0
        sign = SIGNS[report.worst]
        says = f"{sign} {report.headline}" if sign else report.headline
        urgent = report.worst is Severity.DANGER
        self._words(block, says, self.full_pt, 14.0, "bold", look.DANGER if urgent else look.INK)
        for words in report.missing:
            self._words(block, words, self.full_pt, 12.0, "normal", look.DANGER)
        return block

    def _pairs(self) -> list[tuple[list[_Block], list[_Block]]]:
        """Blocks of half the width, left and right, in bands from the top."""
        report = self.report
        left = [self._table(report.found, "bold"), self._table(report.targets)]
        right = [self._table(report.wanted), self._table(report.coupon, blanks=True)]
        below_left = [self._table(report.soaks), self._table(report.stages)]
        if report.gaps.rows:
            below_left.insert(0, self._table(report.gaps))
        events = [self._marks(report.marks)]
        if report.warnings:
            events.insert(0, self._listed("Warnings", report.warnings, self.column_pt, "▲ "))
        self.beside: list[_Block] = []
        if len(self.panels) % 2 == 1:
            self.beside, events = events, []
        return [(left, right), (below_left, events)]

    def _wide(self) -> list[tuple[str, _Block]]:
        """Blocks of the full width, in the order of reading; the last ones are the first to be left out."""
        report = self.report
        found = [("sensors", self._table(report.sensors, width_pt=self.full_pt))]
        notes = [" ".join(part for part in (note.when.words, note.author, note.text) if part) for note in report.notes]
        notes += [
            f"Photograph: {photo.caption}{': ' + photo.trouble if photo.trouble else ''}" for photo in report.photos
        ]
        if notes:
            found.append(("notes", self._listed("Notes and photographs", notes, self.full_pt)))
        if report.advice:
            found.append(("advice", self._listed("Hardening and heats", (" ".join(report.advice),), self.full_pt)))
        if report.cautions:
            found.append(("caution", self._listed("", report.cautions, self.full_pt, colour=look.DANGER)))
        basis = " ".join((*report.basis, *report.drivers))
        found.append(("what the numbers rest on", self._listed("What this rests on", (basis,), self.full_pt)))
        return found

    # How high it is --------------------------------------------------------------------------------------------------

    def _pictures_in(self) -> float:
        row_in = ABOVE_IN + self.inside_in + BELOW_IN
        beside_in = sum(block.height_pt + GAP_PT for block in self.beside) / 72.0 + BESIDE_IN if self.beside else 0.0
        return len(self.panels) // 2 * row_in + (max(row_in, beside_in) if self.beside else 0.0)

    def _height_pt(self) -> float:
        total = self.head.height_pt + 72.0 * self._pictures_in()
        for left, right in self.pairs:
            total += max(sum(block.height_pt + GAP_PT for block in side) for side in (left, right))
        return total + sum(block.height_pt + GAP_PT for _, block in self.wide) + 3.2 * self.size_pt

    def _room_pt(self) -> float:
        return (self.height_in - 2 * self.left_in) * 72.0

    def fits(self) -> bool:
        """Whether everything finds room on the page."""
        return self._height_pt() <= self._room_pt()

    def shorten(self) -> None:
        """Take out all that can be missed, then put back what finds room, the most useful first."""
        _, (left, right) = self.pairs
        removed: list[tuple[str, Callable[[], None]]] = []

        def take_out(name: str, blocks: list[_Block], place: int) -> None:
            block = blocks.pop(place)
            removed.append((name, lambda: blocks.insert(place, block)))

        for name in ("notes", "sensors", "advice", "what the numbers rest on"):
            place = next((n for n, (known, _) in enumerate(self.wide) if known == name), None)
            if place is not None:
                entry = self.wide.pop(place)
                removed.append((name, partial(self._put_back, entry)))
        if len(left) > 1:
            take_out("stages", left, len(left) - 1)
        for blocks in (self.beside, right):
            if blocks:
                take_out("alerts", blocks, len(blocks) - 1)
        removed.sort(key=lambda one: USEFUL.index(one[0]))
        for name, put_back in removed:
            before = [list(blocks) for blocks in (left, right, self.beside)], list(self.wide)
            put_back()
            if not self.fits():
                (left[:], right[:], self.beside[:]), self.wide[:] = before
                self.left_out.append(name)

    def _put_back(self, entry: tuple[str, _Block]) -> None:
        """A wide block at its place again: the caution comes before what the numbers rest on."""
        order = ("sensors", "notes", "advice", "caution", "what the numbers rest on")
        self.wide.append(entry)
        self.wide.sort(key=lambda one: order.index(one[0]))

    # Drawing ---------------------------------------------------------------------------------------------------------

    def drawn(self) -> tuple[Figure, float]:
        """The page, and by how much it is to be scaled to be the size of the paper."""
        figure = Figure(figsize=(self.width_in, self.height_in))
        FigureCanvasPdf(figure)
        top_in = self.height_in - self.left_in
        top_in = self._draw(figure, self.head, self.left_in, top_in)
        for number, panel in enumerate(self.panels):
            column = number % 2
            ends_in = place(figure, panel, self._column_in(column), top_in, self.inside_in)
            if column == 0 and number == len(self.panels) - 1:
                at_in = top_in - BESIDE_IN
                for block in self.beside:
                    at_in = self._draw(figure, block, self._column_in(1), at_in) - GAP_PT / 72.0
                ends_in = min(ends_in, at_in)
            if column == 1 or number == len(self.panels) - 1:
                top_in = ends_in
        for left, right in self.pairs:
            ends = []
            for column, side in enumerate((left, right)):
                at_in = top_in
                for block in side:
                    at_in = self._draw(figure, block, self._column_in(column), at_in) - GAP_PT / 72.0
                ends.append(at_in)
            top_in = min(ends)
        for _, block in self.wide:
            top_in = self._draw(figure, block, self.left_in, top_in) - GAP_PT / 72.0
        foot = _Block()
        left_out = (
            f" Not on this page: {', '.join(self.left_out)}; the HTML report has it all." if self.left_out else ""
        )
        clock = f"{self.report.clock}. " if self.report.clock else ""
        self._words(
            foot,
            f"{clock[:1].upper()}{clock[1:]}{self.report.versions.words}.{left_out}",
            self.full_pt,
            0.9 * self.size_pt,
            "normal",
            look.FAINT_INK,
        )
        self._draw(figure, foot, self.left_in, self.left_in + foot.height_pt / 72.0)
        return figure, 1.0 / self.enlarged

    def _column_in(self, column: int) -> float:
        return self.left_in + column * (PANEL_WIDTH_IN + self.gutter_in)

    def _draw(self, figure: Figure, block: _Block, left_in: float, top_in: float) -> float:
        for cell in block.cells:
            figure.text(
                (left_in + cell.x_pt / 72.0) / self.width_in,
                (top_in - (cell.y_pt + 0.98 * cell.size_pt) / 72.0) / self.height_in,
                cell.words,
                fontsize=cell.size_pt,
                fontweight=cell.weight,
                color=cell.colour,
                va="baseline",
            )
        for from_pt, to_pt, y_pt, colour in block.rules:
            y = (top_in - y_pt / 72.0) / self.height_in
            ends = [(left_in + x_pt / 72.0) / self.width_in for x_pt in (from_pt, to_pt)]
            figure.add_artist(Line2D(ends, [y, y], color=colour, linewidth=0.9))
        return top_in - block.height_pt / 72.0

    # Blocks ----------------------------------------------------------------------------------------------------------

    def _words(
        self, block: _Block, words: str, room_pt: float, size_pt: float, weight: str = "normal", colour: str = look.INK
    ) -> None:
        for line in _lines(words, room_pt, size_pt, weight):
            block.cells.append(_Cell(0.0, block.height_pt, line, size_pt, weight, colour))
            block.height_pt += LEADING * size_pt

    def _title(self, block: _Block, words: str) -> None:
        if words:
            self._words(block, words, self.full_pt, 1.12 * self.size_pt, "bold")
            block.height_pt += 1.5

    def _listed(
        self, title: str, entries: tuple[str, ...] | list[str], room_pt: float, sign: str = "", colour: str = look.INK
    ) -> _Block:
        block = _Block()
        self._title(block, title)
        for words in entries:
            self._words(block, sign + " ".join(words.split()), room_pt, self.size_pt, "normal", colour)
        return block

    def _marks(self, table: Table) -> _Block:
        """The alerts: sign and number in the colour of their severity."""
        block = _Block()
        self._title(block, table.title)
        if not table.rows:
            self._words(block, table.otherwise, self.column_pt, self.size_pt)
        step_pt = LEADING * self.size_pt
        when_pt = max((_width(row[1].words, self.size_pt, "normal") for row in table.rows), default=0.0)
        for number, when, severity, words, answer in table.rows:
            sign = SIGNS[Severity(severity.words)]
            colour = COLOURS[severity.words]
            said = f"{words.words} ({answer.words})" if answer.words else words.words
            block.cells.append(_Cell(0.0, block.height_pt, f"{sign}{number.words}", self.size_pt, "bold", colour))
            block.cells.append(_Cell(26.0, block.height_pt, when.words, self.size_pt))
            x_pt = 26.0 + when_pt + GAP_PT
            for line in _lines(said, self.column_pt - x_pt, self.size_pt):
                block.cells.append(_Cell(x_pt, block.height_pt, line, self.size_pt))
                block.height_pt += step_pt
        return block

    def _table(
        self, table: Table, weight: str = "normal", blanks: bool = False, width_pt: float | None = None
    ) -> _Block:
        """A table; its widest columns give way until it is as wide as there is room. ``blanks``: lines to write on."""
        block, room_pt = _Block(), width_pt or self.column_pt
        self._title(block, table.title)
        if not table.rows:
            self._words(block, table.otherwise, room_pt, self.size_pt)
            return block
        rows = [[said.words for said in row] for row in table.rows]
        widths = self._widths([*([list(table.head)] if table.head else []), *rows], room_pt, weight, blanks)
        starts = [sum(widths[:n]) + GAP_PT * n for n in range(len(widths))]
        if any(table.head):
            for start_pt, words in zip(starts, table.head, strict=True):
                block.cells.append(
                    _Cell(start_pt, block.height_pt, words, 0.92 * self.size_pt, "normal", look.FAINT_INK)
                )
            block.height_pt += LEADING * self.size_pt
        for row in rows:
            block.rules.append((0.0, room_pt, block.height_pt + 0.5, look.RULE))
            deepest = 1
            for column, (start_pt, words) in enumerate(zip(starts, row, strict=True)):
                bold = weight if column == 1 else "normal"
                colour = look.FAINT_INK if column == 0 and len(row) < 5 else look.INK
                lines = _lines(words, widths[column] + 0.5, self.size_pt, bold) if words else []
                for number, line in enumerate(lines):
                    y_pt = block.height_pt + 1.5 + number * LEADING * self.size_pt
                    block.cells.append(_Cell(start_pt, y_pt, line, self.size_pt, bold, colour))
                deepest = max(deepest, len(lines))
            block.height_pt += deepest * LEADING * self.size_pt + 2.0
            if blanks:
                block.height_pt += 0.45 * self.size_pt
                block.rules.append((starts[-1], room_pt, block.height_pt - 2.0, look.INK))
        return block

    def _widths(self, rows: list[list[str]], room_pt: float, weight: str, blanks: bool) -> list[float]:
        """Widths of the columns [points]."""

        def wide(words: str, column: int) -> float:
            return _width(unbroken(words), self.size_pt, weight if column == 1 else "normal")

        widths = [max(wide(row[column], column) for row in rows) for column in range(len(rows[0]))]
        free_pt = room_pt - GAP_PT * (len(widths) - 1)
        if blanks:
            widths[-1] = 0.34 * free_pt
        while sum(widths) > free_pt:
            fixed = len(widths) - 1 if blanks else -1
            widest = max((n for n in range(len(widths)) if n != fixed), key=lambda n: widths[n])
            widths[widest] -= min(6.0, sum(widths) - free_pt + 0.01)
        return widths
