"""One sentence and a list of facts: the numbers given, in the person's units, and words for what is missing."""

from dataclasses import replace

import pytest

from logger.alert_rules import Severity
from logger.sheet_parts import Quantity
from logger.units import DisplayUnits
from logger.views.snapshot import (
    Aim,
    AlertNow,
    CarbonNow,
    CaseNow,
    Fact,
    Snapshot,
    aim_lines,
    facts,
    glance,
    headline,
    quantity_words,
    worst,
)
from tests.views.invented_snapshots import (
    BLANK,
    CARBURIZING,
    CASE_AIM,
    EVERY,
    FINISHED,
    HEATING,
    MELTING,
    SILENT,
    TEMPERING,
)

INCH = DisplayUnits("F", "in")


@pytest.mark.parametrize(
    ("now", "sentence"),
    [
        (
            CARBURIZING,
            "Steel 927 C, 1 h 50 min at heat inside. 0.62 mm to 0.40 % C; 0.80 mm at about 02:40 (01:55 to 03:50). "
            "All well.",
        ),
        (
            HEATING,
            "Steel about 640 C, rising 6.0 C a minute; no soak yet. No case yet to 0.40 % C; 0.80 mm at about 02:40 "
            "(01:55 to 03:50). All well.",
        ),
        (
            MELTING,
            "Danger: skin is melting: 0.60 mm is liquid (and 1 more). Steel 1192 C, 1 h 50 min at heat inside. "
            "2.20 mm to 0.40 % C; skin melted to 0.75 mm; 0.80 mm reached at 23:10.",
        ),
        (
            TEMPERING,
            "Steel 205 C, 1 h 50 min at heat inside. Tempering parameter 7,760 (c = 16.5), 61 HRC expected (58 to 62). "
            "Tempering parameter 7,900 at about 01:40. All well.",
        ),
        (
            FINISHED,
            "1 h 50 min at heat inside, hottest 931 C. 0.62 mm to 0.40 % C; 0.80 mm not reached. Run finished.",
        ),
        (
            SILENT,
            "No reading for 4 min. Steel was 927 C, 1 h 50 min at heat inside. 0.62 mm to 0.40 % C; 0.80 mm at about "
            "02:40 (01:55 to 03:50).",
        ),
        (BLANK, "No reading yet. No temperature yet."),
    ],
)
def test_the_sentence(now: Snapshot, sentence: str) -> None:
    assert headline(now) == sentence


def test_a_trace_without_dates_counts_from_its_start() -> None:
    dateless = replace(CARBURIZING, now_utc_s=None)
    assert headline(dateless).endswith("0.80 mm after about 6 h (5 h 15 min to 7 h 10 min). All well.")
    reached = replace(dateless, aims=(replace(CASE_AIM, reached_at_s=9_000.0),))
    assert headline(reached).endswith("0.80 mm reached after 2 h 30 min. All well.")


def test_the_same_sentence_in_fahrenheit_and_inches() -> None:
    assert headline(replace(CARBURIZING, units=INCH)) == (
        "Steel 1701 F, 1 h 50 min at heat inside. 0.024 in to 0.40 % C; 0.031 in at about 02:40 (01:55 to 03:50). "
        "All well."
    )


def test_every_number_among_the_facts_is_the_one_given() -> None:
    assert facts(CARBURIZING) == (
        Fact("Steel", "927 C", "measured inside"),
        Fact("Hottest so far", "931 C"),
        Fact("Oven", "931 C", "set point 927 C"),
        Fact("Stage", "carburize", "for 2 h"),
        Fact("Soak", "1 h 50 min", "inside 913 to 941 C, at heat now"),
        Fact("Equivalent time", "2.10 h", "at 950 C"),
        Fact("Case depth to 0.40 % C", "0.62 mm", "0.51 to 0.75 mm"),
        Fact("Surface and core", "0.98 and 0.10 % C"),
    )


def test_a_temper_has_its_parameter_its_constant_and_its_hardness() -> None:
    assert facts(TEMPERING)[-3:] == (
        Fact("Tempering parameter", "7,760", "c = 16.5, kelvin and hours"),
        Fact("Same as one temper of", "1.50 h", "at 200 C"),
        Fact("Hardness expected", "61 HRC", "58 to 62 HRC"),
    )


@pytest.mark.parametrize(
    ("range_s", "words"),
    [
        ((1620.0, 9840.0), "27 min to 2 h 44 min"),
        ((1620.0, 2640.0), "27 to 44 min"),
        ((0.0, 9840.0), "0 s to 2 h 44 min"),
    ],
)
def test_a_range_of_times_has_its_unit_at_both_ends_unless_it_is_the_same(
    range_s: tuple[float, float], words: str
) -> None:
    noted = {fact.label: fact.note for fact in facts(replace(CARBURIZING, soak_range_s=range_s))}
    assert noted["Soak"].startswith(f"{words}; ")


def test_missing_things_are_said() -> None:
    assert Fact("Soak", "no soak yet", "counts inside 913 to 941 C") in facts(HEATING)
    assert facts(BLANK)[0] == Fact("Steel", "not known", "measured inside, never read", Severity.WARNING)
    assert Fact("Steel", "927 C", "measured inside, 4 min old", Severity.WARNING) in facts(SILENT)
    untempered = replace(TEMPERING, temper=None, aims=())
    assert headline(untempered) == "Steel 205 C, 1 h 50 min at heat inside. All well."


def test_a_melted_skin_is_a_fact_after_it_has_frozen_again() -> None:
    frozen = replace(MELTING, carbon=replace(MELTING.carbon or CarbonNow((), 0, 0), molten_now_m=0.0))
    assert Fact("Skin melted", "to 0.75 mm", "solid again", Severity.DANGER) in facts(frozen)
    assert Fact("Skin melted", "to 0.75 mm", "0.60 mm molten now", Severity.DANGER) in facts(MELTING)


@pytest.mark.parametrize(
    ("aim", "outcome"),
    [
        (CASE_AIM, "0.80 mm at about 02:40 (01:55 to 03:50), in 2 h"),
        (
            replace(CASE_AIM, expected_range_s=(5.25 * 3600.0, None)),
            "0.80 mm at about 02:40 (01:55 at the earliest), in 2 h",
        ),
        (replace(CASE_AIM, reached_at_s=9_000.0), "0.80 mm reached at 23:10"),
        (replace(CASE_AIM, expected_at_s=None), "0.80 mm not in sight at this heat"),
        (replace(CASE_AIM, expected_at_s=None, forecast_tried=False), "0.80 mm wanted"),
        (Aim(Quantity.CORE_CARBON, 0.46, 0.45, limit=True, reached_at_s=9_000.0), "0.45 % C passed at 23:10"),
        (Aim(Quantity.SOAK_TIME, 6_600.0, 7_200.0, expected_at_s=36_000.0), "2 h at about 06:40, in 6 h"),
    ],
)
def test_a_target_says_what_is_wanted_and_when(aim: Aim, outcome: str) -> None:
    assert aim_lines(replace(CARBURIZING, aims=(aim,)))[0].outcome == outcome


def test_nothing_is_expected_of_a_finished_run() -> None:
    assert aim_lines(FINISHED)[0].outcome == "0.80 mm not reached"
    close = replace(FINISHED, aims=(replace(FINISHED.aims[0], value=0.000797),))
    assert aim_lines(close)[0].outcome == "0.80 mm just missed"
    assert glance(close).until == "just missed"
    limit = replace(CASE_AIM, limit=True)
    assert aim_lines(replace(FINISHED, aims=(limit,)))[0].outcome == "0.80 mm not passed"


def test_a_target_still_ahead_is_named_before_one_already_reached() -> None:
    reached = Aim(Quantity.SOAK_TIME, 6_600.0, 3_600.0, reached_at_s=9_000.0)
    assert "0.80 mm at about 02:40" in headline(replace(CARBURIZING, aims=(reached, CASE_AIM)))
    assert "soak time 1 h reached at 23:10" in headline(replace(CARBURIZING, aims=(reached,)))
    both = (replace(CASE_AIM, reached_at_s=10_000.0), reached)
    assert "0.62 mm to 0.40 % C; 0.80 mm reached at 23:26." in headline(replace(CARBURIZING, aims=both))


def test_a_case_too_thin_to_show_is_not_called_zero() -> None:
    thin_case = CarbonNow((CaseNow(0.40, 4e-6),), 0.41, 0.10)
    assert "No case yet to 0.40 % C" in headline(replace(CARBURIZING, carbon=thin_case))


def test_a_warning_ends_the_sentence_in_its_own_words() -> None:
    warning = AlertNow("Target reached: soak time", Severity.WARNING, 9_000.0)
    assert headline(replace(CARBURIZING, alerts=(warning,))).endswith("Target reached: soak time.")


def test_how_bad_it_is() -> None:
    assert worst(CARBURIZING) is None
    assert worst(SILENT) is Severity.WARNING
    assert worst(MELTING) is Severity.DANGER
    assert worst(replace(MELTING, alerts=())) is Severity.DANGER
    assert worst(replace(CARBURIZING, warnings=("Carbide network likely",))) is Severity.WARNING
    news = AlertNow("Soak started", Severity.NEWS, 9_000.0)
    assert worst(replace(CARBURIZING, alerts=(news,))) is None


def test_an_acknowledged_warning_no_longer_leads_but_danger_always_does() -> None:
    warning = AlertNow("Target reached", Severity.WARNING, 9_000.0, acknowledged=True)
    assert headline(replace(CARBURIZING, alerts=(warning,))).endswith("All well.")
    danger = AlertNow("Skin is melting", Severity.DANGER, 9_000.0, acknowledged=True)
    assert headline(replace(CARBURIZING, alerts=(danger,))).startswith("Danger: skin is melting.")


def test_a_silence_whose_cause_is_known_is_told_with_it_and_once() -> None:
    why = "/dev/ttyX: not there; is the adapter plugged in?"
    lost = AlertNow(f"Connection to the oven lost: {why}", Severity.WARNING, 9_000.0)
    for alerts in ((), (lost,)):
        now = replace(SILENT, alerts=alerts, links_lost=(why,), warnings=(f"No connection: {why}",))
        assert headline(now).startswith(f"No reading for 4 min. No connection: {why} ")


def test_a_blind_end_is_told_with_the_numbers_that_rest_on_it() -> None:
    now = replace(CARBURIZING, alerts=(), finished=True, open_gap_s=3.0 * 3600.0)
    assert "The last 3 h without a reading count as if the oven had stayed as it was." in headline(now)
    assert worst(now) is Severity.WARNING
    assert worst(replace(now, open_gap_s=0.0)) is None


def test_a_question_ends_as_one() -> None:
    lost = AlertNow("Connection to the oven lost: is the adapter plugged in?", Severity.WARNING, 9_000.0)
    assert headline(replace(CARBURIZING, alerts=(lost,))).endswith("is the adapter plugged in?")


def test_a_danger_is_told_before_the_silence() -> None:
    danger = AlertNow("Skin is melting", Severity.DANGER, 9_000.0)
    assert headline(replace(SILENT, alerts=(danger,))).startswith("Danger: skin is melting (and 1 more).")
    assert headline(replace(SILENT, alerts=())).startswith("No reading for 4 min.")


def test_a_computer_that_does_not_keep_up_is_not_called_a_silent_oven() -> None:
    slow = replace(SILENT, alerts=(), behind_s=240.0)
    assert headline(slow).startswith("Every reading is kept, but this computer is 4 min behind in working them out.")
    assert worst(slow) is Severity.WARNING
    assert headline(replace(slow, behind_s=10.0)).startswith("No reading for 4 min.")


def test_molten_skin_is_danger_even_before_any_alert() -> None:
    assert headline(replace(MELTING, alerts=())).startswith("Danger: 0.60 mm of the skin is molten now.")


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_kind_of_target_has_words(quantity: Quantity) -> None:
    assert quantity_words(quantity, 1.0, INCH) != "not known"
    assert quantity_words(quantity, float("nan"), INCH) == "not known"


@pytest.mark.parametrize("now", EVERY)
@pytest.mark.parametrize("units", [DisplayUnits(), INCH])
def test_no_sentence_ever_shows_a_missing_number(now: Snapshot, units: DisplayUnits) -> None:
    now = replace(now, units=units)
    said = [headline(now), *(f"{fact.value} {fact.note}" for fact in facts(now))]
    said += [f"{line.value} {line.outcome}" for line in aim_lines(now)]
    assert not any(word in words for words in said for word in ("nan", "None", "inf "))


def test_several_case_depths_each_carry_their_definition() -> None:
    carbon = CarbonNow((CaseNow(0.40, 0.62e-3), CaseNow(0.60, 0.41e-3)), 0.98, 0.10)
    labels = [fact.label for fact in facts(replace(CARBURIZING, carbon=carbon))]
    assert "Case depth to 0.40 % C" in labels
    assert "Case depth to 0.60 % C" in labels
