"""What a run would come to under a few supposed courses of the oven, side by side: as text, and as JSON."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from logger import target
from logger.situation import Situation
from logger.units import DisplayUnits, hours_from_seconds
from logger.views.contract import review_object
from logger.views.run_views import snapshot_of
from logger.views.snapshot import Fact, aim_lines, facts
from logger.views.text import table
from logger.views.wording import duration_words, temperature_words
from logger.what_if import COLD_K, STOP_NOW, Answer, Course

STILL_K = COLD_K + 10.0

SHOWN = ("Case depth", "Surface", "Skin", "Risk", "Tempering", "Same", "Hardness", "Equivalent", "Hottest")
"""Facts that a course can change, by how their label begins."""

KEPT_KEYS = ("thermal", "carbon", "tempering", "targets", "warnings", "band")


def course_words(course: Course, units: DisplayUnits) -> str:
    """A course in the person's words: ``stop now``, ``1 h more``, ``1 h more, 25 C hotter``."""
    if course == STOP_NOW:
        return "stop now"
    words = f"{duration_words(course.hold_s)} more" if course.hold_s < 3600.0 else _hours_more(course.hold_s)
    if course.change_K:
        change = units.temperature_difference(abs(course.change_K))
        words += f", {change:.0f} {units.temperature} {'hotter' if course.change_K > 0.0 else 'cooler'}"
    return words


def _hours_more(duration_s: float) -> str:
    hours = hours_from_seconds(duration_s)
    return f"{hours:.0f} h more" if hours == round(hours) else f"{duration_words(duration_s)} more"


def as_situation(situation: Situation, answer: Answer) -> Situation:
    """The situation that an answer supposes: the oven cold, the run over."""
    end_s = answer.state.last_time_s
    return replace(
        situation,
        state=answer.state,
        estimate=answer.estimate,
        bands=answer.bands,
        statuses=target.statuses(replace(situation.problem, ensemble=None), answer.state, answer.bands),
        forecast=None,
        now_s=end_s,
        now_utc_s=None if situation.now_utc_s is None else situation.now_utc_s + end_s - situation.now_s,
        last_good_s=end_s,
        finished=True,
    )


def what_if_text(situation: Situation, answers: Sequence[Answer]) -> str:
    """The answers as a table: a line for each quantity, a column for each course."""
    opening, head, rows = what_if_table(situation, answers)
    return f"{opening}\n\n{table(head, rows)}"


def what_if_table(
    situation: Situation, answers: Sequence[Answer]
) -> tuple[str, tuple[str, ...], list[tuple[str, ...]]]:
    """The same in its parts: what is supposed, the head of the columns, and the rows."""
    units = situation.problem.sheet.display
    snapshots = [snapshot_of(as_situation(situation, answer)) for answer in answers]
    columns = [{one.label: _cell(one) for one in facts(now) if one.label.startswith(SHOWN)} for now in snapshots]
    for column, now in zip(columns, snapshots, strict=True):
        column.update({f"Target: {line.name}": line.outcome for line in aim_lines(now)})
    labels = list(dict.fromkeys(label for column in columns for label in column))
    rows = [(label, *(column.get(label, "none") for column in columns)) for label in labels]
    head = ("when cold again", *(course_words(answer.course, units) for answer in answers))
    now_K = situation.estimate.thermal.oven_temperature_K
    opening = (
        f"{situation.name}: supposed from {duration_words(situation.now_s)} on, the driving thermocouple at "
        f"{temperature_words(now_K, units)}; after the hold the oven cools as it was seen to."
    )
    if now_K <= STILL_K:
        opening += " It is cold already: nothing moves any more, however long that is held."
    return opening, head, rows


def _cell(fact: Fact) -> str:
    """A value with its range, without what else the note says."""
    between = fact.note.split("; ")[0]
    return f"{fact.value} ({between})" if " to " in between and between[0].isdigit() else fact.value


def what_if_object(situation: Situation, answers: Sequence[Answer]) -> dict[str, Any]:
    """The answers as one JSON object: for each course the keys of a review."""
    found = []
    for answer in answers:
        whole = review_object(as_situation(situation, answer))
        found.append(
            {
                "hold_h": hours_from_seconds(answer.course.hold_s),
                "change_C": answer.course.change_K,
                "end_s": whole["end_s"],
                **{key: whole[key] for key in KEPT_KEYS},
            }
        )
    return {
        "contract": review_object(situation)["contract"],
        "run": situation.run or None,
        "oven": situation.oven,
        "name": situation.name,
        "from_s": situation.now_s,
        "answers": found,
    }
