"""One episode is one alert: delay, hysteresis, latch, reminder, escalation, acknowledgement, all-clear."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.alert import AlertEvent, AlertState, Episode, Fact, Phase, acknowledge, advance, holds, restored
from logger.alert_rules import RULES, AlertKind, Rule, Severity

KIND, NEAR, MELTING = AlertKind.OVER_TEMPERATURE, AlertKind.NEAR_MELTING, AlertKind.MELTING
PLAIN = Rule(Severity.WARNING, "Title", "Meaning.", "Advice.", raise_after_s=10.0, clear_after_s=20.0)
LATCHED = replace(PLAIN, latched=True, remind_every_s=100.0, escalate_after_s=250.0)


def played(rule: Rule, active_at: dict[float, bool], key: str = "air") -> list[AlertEvent]:
    """Every event of one condition that was told at the given times whether it holds."""
    state, events = AlertState(), []
    for time_s, active in active_at.items():
        state, happened = advance(state, [Fact(KIND, key, active)], time_s, {KIND: rule})
        events.extend(happened)
    return events


def phases(events: list[AlertEvent]) -> list[tuple[Phase, float]]:
    return [(event.phase, event.time_s) for event in events]


def test_a_condition_is_raised_once_it_has_held_for_its_delay() -> None:
    events = played(PLAIN, {0.0: True, 5.0: True, 10.0: True, 15.0: True})
    assert phases(events) == [(Phase.RAISED, 10.0)]


def test_a_condition_that_goes_away_within_the_delay_is_never_raised() -> None:
    assert played(PLAIN, {0.0: True, 5.0: True, 9.0: False, 12.0: True, 20.0: False}) == []


def test_it_is_cleared_once_it_has_been_gone_for_its_delay() -> None:
    events = played(PLAIN, {0.0: True, 10.0: True, 30.0: False, 49.0: False, 50.0: False, 90.0: False})
    assert phases(events) == [(Phase.RAISED, 10.0), (Phase.CLEARED, 50.0)]


def test_a_condition_that_flickers_is_one_episode() -> None:
    flicker = {0.0: True, 10.0: True} | {10.0 + 5.0 * n: n % 2 == 0 for n in range(1, 200)}
    assert phases(played(PLAIN, flicker)) == [(Phase.RAISED, 10.0)]


def test_a_condition_that_comes_back_after_its_all_clear_is_a_second_episode() -> None:
    events = played(PLAIN, {0.0: True, 10.0: True, 20.0: False, 40.0: False, 100.0: True, 110.0: True})
    assert [(event.phase, event.episode) for event in events] == [
        (Phase.RAISED, 1),
        (Phase.CLEARED, 1),
        (Phase.RAISED, 2),
    ]


def test_reminders_come_at_their_interval_and_the_second_person_is_told_in_time() -> None:
    events = played(LATCHED, {float(t): True for t in range(0, 501, 10)})
    assert phases(events) == [
        (Phase.RAISED, 10.0),
        (Phase.REMINDED, 110.0),
        (Phase.REMINDED, 210.0),
        (Phase.ESCALATED, 260.0),
        (Phase.REMINDED, 360.0),
        (Phase.REMINDED, 460.0),
    ]
    assert [event.escalated for event in events] == [False, False, False, True, True, True]


def test_an_acknowledged_episode_is_neither_reminded_of_nor_escalated() -> None:
    state, _ = advance(AlertState(), [Fact(KIND, "air", True)], 0.0, {KIND: LATCHED})
    state, _ = advance(state, [Fact(KIND, "air", True)], 10.0, {KIND: LATCHED})
    state, events = acknowledge(state, KIND, "air", 20.0, "Ada", {KIND: LATCHED})
    assert phases(list(events)) == [(Phase.ACKNOWLEDGED, 20.0)]
    assert events[0].message == "Title. Acknowledged by Ada."
    for time_s in (110.0, 300.0, 1000.0):
        state, later = advance(state, [Fact(KIND, "air", True)], time_s, {KIND: LATCHED})
        assert later == ()


def test_acknowledging_twice_or_what_is_not_open_does_nothing() -> None:
    state, _ = advance(AlertState(), [Fact(KIND, "air", True)], 0.0, {KIND: PLAIN})
    assert acknowledge(state, KIND, "air", 1.0) == (state, ())
    assert acknowledge(state, AlertKind.LINK_LOST, "", 1.0) == (state, ())


def test_a_latched_episode_is_cleared_only_after_somebody_acknowledged_it() -> None:
    rules = {KIND: LATCHED}
    state, _ = advance(AlertState(), [Fact(KIND, "air", True)], 0.0, rules)
    state, _ = advance(state, [Fact(KIND, "air", True)], 10.0, rules)
    state, gone = advance(state, [Fact(KIND, "air", False)], 20.0, rules)
    state, long_gone = advance(state, [Fact(KIND, "air", False)], 90.0, rules)
    assert gone == long_gone == ()
    state, _ = acknowledge(state, KIND, "air", 100.0, rules=rules)
    state, cleared = advance(state, [Fact(KIND, "air", False)], 101.0, rules)
    assert phases(list(cleared)) == [(Phase.CLEARED, 101.0)]


def test_silence_about_a_condition_leaves_it_as_it_stood() -> None:
    state, raised = advance(AlertState(), [Fact(KIND, "air", True)], 0.0, {KIND: PLAIN})
    state, raised = advance(state, [], 10.0, {KIND: PLAIN})
    assert phases(list(raised)) == [(Phase.RAISED, 10.0)]
    state, nothing = advance(state, [], 1e6, {KIND: PLAIN})
    assert nothing == ()
    assert state.is_raised(KIND, "air")


def test_two_keys_of_one_kind_are_two_episodes() -> None:
    facts = [Fact(KIND, "air", True), Fact(KIND, "canister", True)]
    state, _ = advance(AlertState(), facts, 0.0, {KIND: PLAIN})
    _, events = advance(state, facts, 10.0, {KIND: PLAIN})
    assert [event.key for event in events] == ["air", "canister"]


def test_a_message_carries_words_number_and_band_and_the_advice_says_what_to_do() -> None:
    fact = Fact(AlertKind.TARGET_REACHED, "case depth", True, "Case depth to 0.40 % C", "0.82 mm", "0.71 to 0.95 mm")
    _, (event,) = advance(AlertState(), [fact], 60.0)
    assert event.title == "Target reached"
    assert event.message == "Case depth to 0.40 % C. 0.82 mm (0.71 to 0.95 mm)."
    assert "opened hot it flares" in event.advice


def test_news_is_over_at_once_and_its_end_is_only_recorded() -> None:
    state, raised = advance(AlertState(), [Fact(AlertKind.SOAK_STARTED, "1", True)], 0.0)
    state, cleared = advance(state, [Fact(AlertKind.SOAK_STARTED, "1", False)], 5.0)
    assert [(event.phase, event.announce) for event in raised + cleared] == [
        (Phase.RAISED, True),
        (Phase.CLEARED, False),
    ]
    assert state.open() == ()


@pytest.mark.parametrize("kind", list(AlertKind))
def test_every_kind_has_a_rule_that_says_what_it_means(kind: AlertKind) -> None:
    rule = RULES[kind]
    assert rule.title
    assert rule.meaning.endswith(".")
    assert rule.severity is Severity.NEWS or len(rule.advice) > 40
    assert not rule.escalate_after_s or rule.remind_every_s, "a second person is told only of what the first is"


@pytest.mark.parametrize("kind", [kind for kind in AlertKind if RULES[kind].severity is Severity.DANGER])
def test_danger_is_reminded_of_escalated_and_kept_until_acknowledged(kind: AlertKind) -> None:
    rule = RULES[kind]
    assert rule.latched
    assert 0.0 < rule.remind_every_s <= 300.0
    assert 0.0 < rule.escalate_after_s <= 900.0


@pytest.mark.parametrize(
    ("value", "held", "expected"),
    [
        (1099.0, False, False),
        (1100.0, False, True),
        (1095.0, True, True),
        (1089.0, True, False),
        (float("nan"), True, True),
    ],
)
def test_a_rising_threshold_has_hysteresis(value: float, held: bool, expected: bool) -> None:
    assert holds(value, raise_at=1100.0, clear_at=1090.0, held=held) is expected


@pytest.mark.parametrize(
    ("value", "held", "expected"), [(21.0, False, False), (20.0, False, True), (25.0, True, True), (31.0, True, False)]
)
def test_a_falling_threshold_has_hysteresis(value: float, held: bool, expected: bool) -> None:
    assert holds(value, raise_at=20.0, clear_at=30.0, held=held) is expected


actions = st.lists(
    st.tuples(st.floats(0.1, 400.0), st.sampled_from(["on", "off", "silent", "acknowledge"])), min_size=1, max_size=60
)


@given(actions, st.sampled_from([PLAIN, LATCHED, replace(LATCHED, raise_after_s=0.0, clear_after_s=0.0)]))
def test_episodes_never_overlap_and_each_is_raised_exactly_once(script: list[tuple[float, str]], rule: Rule) -> None:
    rules, state, time_s = {KIND: rule}, AlertState(), 0.0
    opened, acknowledged, episode = False, False, 0
    for step_s, action in script:
        time_s += step_s
        if action == "acknowledge":
            state, events = acknowledge(state, KIND, "air", time_s, rules=rules)
        else:
            facts = [] if action == "silent" else [Fact(KIND, "air", action == "on")]
            state, events = advance(state, facts, time_s, rules)
        for event in events:
            if event.phase is Phase.RAISED:
                assert not opened
                opened, acknowledged, episode = True, False, episode + 1
            else:
                assert opened
                assert not (acknowledged and event.phase in (Phase.REMINDED, Phase.ESCALATED, Phase.ACKNOWLEDGED))
            assert event.episode == episode
            acknowledged = acknowledged or event.phase is Phase.ACKNOWLEDGED
            if event.phase is Phase.CLEARED:
                assert acknowledged or not rule.latched
                opened = False
        assert state.is_raised(KIND, "air") is opened


@given(actions, st.integers(0, 59))
def test_after_a_restart_open_episodes_are_as_they_were(script: list[tuple[float, str]], restart_at: int) -> None:
    """Once a condition has been told again after the restart, nothing differs from never having restarted."""
    rules = {KIND: replace(LATCHED, raise_after_s=0.0, clear_after_s=0.0)}
    state, time_s, told = AlertState(), 0.0, []
    for number, (step_s, action) in enumerate(script):
        time_s += step_s
        if number == restart_at:
            again = restored(told)
            assert [(e.number, e.raised_s, e.reminded_s, e.acknowledged, e.escalated) for e in again.open()] == [
                (e.number, e.raised_s, e.reminded_s, e.acknowledged, e.escalated) for e in state.open()
            ]
            assert again.counts == state.counts
        if action == "acknowledge":
            state, events = acknowledge(state, KIND, "air", time_s, rules=rules)
        else:
            facts = [] if action == "silent" else [Fact(KIND, "air", action == "on")]
            state, events = advance(state, facts, time_s, rules)
        told.extend(events)


def test_an_alert_about_a_target_says_which_target() -> None:
    fact = Fact(
        AlertKind.TARGET_REACHED, "a", active=True, text="case depth to 0.40 % C", number="1.50 mm", band="wanted"
    )
    assert Episode(fact, 1, 0.0).words == "Target reached: case depth to 0.40 % C, 1.50 mm"
    assert Episode(replace(fact, number=""), 1, 0.0).words == "Target reached: case depth to 0.40 % C"
    hot = Fact(AlertKind.OVER_TEMPERATURE, "a", active=True, text="east", number="1020 C")
    assert Episode(hot, 1, 0.0).words == "Over temperature: 1020 C"


def test_what_has_melted_comes_before_what_only_threatened_and_is_told_as_past_once_it_is() -> None:
    threat, melting = (Fact(kind, "oven", active=True, text="said") for kind in (NEAR, MELTING))
    state, _ = advance(AlertState(), [threat], 0.0)
    state, _ = advance(state, [melting], 600.0)
    assert [one.words for one in state.open()] == ["Skin is melting: said", "Skin close to melting: said"]
    state, _ = advance(state, [replace(threat, active=False), replace(melting, active=False)], 700.0)
    assert [one.words for one in state.open()] == ["Skin has melted: said", "Skin was close to melting: said"]
    later = 700.0 + RULES[MELTING].remind_every_s
    _, events = advance(state, [replace(threat, active=False), replace(melting, active=False)], later)
    assert [event.title for event in events] == ["Skin was close to melting", "Skin has melted"]
