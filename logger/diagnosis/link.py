"""What opening, asking and listening say about the way to a controller: failures 1 to 6, 10 and 11. Pure."""

from collections import Counter
from collections.abc import Iterable
from math import isfinite

from logger.controllers.link_faults import MODBUS_EXCEPTIONS
from logger.controllers.settings import Framing
from logger.diagnosis.failures import (
    Certainty,
    ControllerEvidence,
    Diagnosis,
    Failure,
    Outcome,
    PortEvidence,
    Tally,
    Trial,
)

ALL_ANSWERED = 0.98
"""A hit rate up to which a channel is said to answer only now and then (our choice)."""

IDLE_BYTES = frozenset({0x00, 0xFF})


def _exception(code: int) -> str:
    return f"exception {code}: {MODBUS_EXCEPTIONS.get(code, 'for a reason of its own')}"


# -- the port ----------------------------------------------------------------------------------------------------


def judge_port(seen: PortEvidence) -> list[Diagnosis]:
    """What is wrong with a port: missing, held, or noisy before anything was asked."""
    if seen.fault == "missing" and "://" in seen.port:
        return [
            Diagnosis(
                Failure.PORT_MISSING,
                seen.port,
                "nobody is reached at this network address",
                seen.said,
                (
                    "see that the device is on and its network light blinks",
                    "look up the address it has now, in the device or in the router, and fix it there",
                    "see whether it allows one more connection, and on which port number",
                ),
                Certainty.ONE_OF_SEVERAL,
            )
        ]
    if seen.fault == "missing":
        there = f"now there: {', '.join(seen.other_ports)}" if seen.other_ports else "no serial port is there at all"
        take = (f"put one of these names into the oven file: {', '.join(seen.other_ports)}",)
        return [
            Diagnosis(
                Failure.PORT_MISSING,
                seen.port,
                "the adapter is unplugged, or it has another name now",
                f"{seen.said}; {there}",
                (
                    "plug the adapter in, straight into the computer",
                    *(take if seen.other_ports else ()),
                    "use its name under /dev/serial/by-id, which stays the same",
                ),
                Certainty.LIKELY,
            )
        ]
    if seen.fault == "taken":
        holders = f"held by {', '.join(seen.holders)}" if seen.holders else "no program of yours is seen holding it"
        return [
            Diagnosis(
                Failure.PORT_TAKEN,
                seen.port,
                f"another program has it open: {', '.join(seen.holders)}"
                if seen.holders
                else "another program has it open, or you may not use it",
                f"{seen.said}; {holders}",
                (
                    f"end {seen.holders[0]}" if seen.holders else "close every other program that talks to the oven",
                    "add yourself to the group the port belongs to (often dialout), then log in anew",
                ),
                Certainty.SURE if seen.holders else Certainty.ONE_OF_SEVERAL,
            )
        ]
    if seen.fault == "lost":
        return [
            Diagnosis(
                Failure.PORT_MISSING,
                seen.port,
                "the port is there but does not open",
                seen.said,
                ("unplug the adapter, wait some seconds, plug it in again", "try another socket or another adapter"),
                Certainty.LIKELY,
            )
        ]
    return [*_unasked(seen)]


def _unasked(seen: PortEvidence) -> Iterable[Diagnosis]:
    if not seen.unasked or seen.framing is Framing.PLAYBACK:
        return
    shown = seen.unasked[:24].hex(" ")
    if seen.framing is Framing.TEXT:
        yield Diagnosis(
            Failure.GAPS_AND_CLOCKS,
            seen.port,
            "the board starts anew, or talks by itself, when its port is opened",
            f"{len(seen.unasked)} bytes came before anything was asked: {seen.unasked[:60]!r}",
            ("leave settle_s = 2 in the oven file, so that the first seconds are ignored",),
            Certainty.LIKELY,
            stands_in_the_way=False,
            change=(("settle_s", "2"),),
        )
    elif set(seen.unasked) <= IDLE_BYTES:
        yield Diagnosis(
            Failure.NOISE,
            seen.port,
            "the idle line floats",
            f"{len(seen.unasked)} bytes of 00 or FF came before anything was asked",
            _BIAS,
            Certainty.LIKELY,
            stands_in_the_way=False,
        )
    else:
        yield Diagnosis(
            Failure.OTHERS_ANSWERS,
            seen.port,
            "somebody else talks on this line",
            f"{len(seen.unasked)} bytes came before anything was asked: {shown}",
            (
                "find the second master: a panel, another computer, a second program behind the same bridge",
                "let only one of them ask; soaktally does not take what it did not ask for",
            ),
            Certainty.LIKELY,
        )


_BIAS = (
    "connect the common (ground) wire as well as A and B",
    "switch on the adapter's bias, and 120 ohm at both ends of a cable longer than a few metres",
    "keep the cable away from the heater's wiring",
)

# -- questions and answers ---------------------------------------------------------------------------------------


def judge_controller(seen: ControllerEvidence) -> list[Diagnosis]:
    """What the answers, and those to neighbouring settings, say about the way to one controller."""
    tally = seen.tally
    if not tally.asked:
        return []
    found: list[Diagnosis] = []
    if tally.echoes:
        found.append(_echo(seen))
    if tally.lost:
        found.append(
            Diagnosis(
                Failure.PORT_MISSING,
                seen.controller,
                "the adapter, or the connection, went away while asking",
                tally.lost,
                ("look at plug and cable; avoid hubs without power of their own", "try another socket or adapter"),
                Certainty.LIKELY,
            )
        )
        return found
    understood = next((trial for trial in seen.line_trials if trial.is_understood), None)
    refused = bool(tally.refused)
    if not tally.answered and not refused:
        if understood is not None:
            found.append(_other_line(seen, understood))
        elif "pattern" in tally.damaged:
            found.append(_other_pattern(seen))
        elif tally.damaged and set(tally.damaged) <= {"foreign", "double"}:
            pass  # told below: answers to other questions
        elif tally.damaged:
            found.append(_always_damaged(seen))
        else:
            found.append(_silence(seen))
    if refused:
        found.append(_refused(seen))
    if tally.answered:
        found.extend(_sometimes(seen))
    found.extend(_others_answers(seen))
    return found


def _numbers(tally: Tally) -> str:
    parts = [f"{tally.answered} of {tally.asked} questions answered"]
    if tally.silent:
        parts.append(f"{tally.silent} times silence")
    parts.extend(f"{count} times {_DAMAGE.get(why, why)}" for why, count in Counter(tally.damaged).items())
    parts.extend(f"{count} times {_exception(code)}" for code, count in Counter(tally.refused).items())
    return ", ".join(parts)


_DAMAGE = {
    "garbled": "a wrong check sum",
    "cut": "an answer that broke off",
    "noise": "only idle-line noise",
    "foreign": "an answer to another question",
    "double": "two answers at once",
    "pattern": "a line that does not fit the pattern",
}


_DOES = {Outcome.ANSWERED: "answers", Outcome.REFUSED: "understands"}


def _echo(seen: ControllerEvidence) -> Diagnosis:
    tally = seen.tally
    return Diagnosis(
        Failure.ECHO,
        seen.controller,
        "the adapter hears itself: every question comes back before the answer",
        f"own question heard {tally.echoes} times in {tally.asked} questions",
        (
            "nothing to do here: soaktally takes the echo away",
            "other programs may stumble over it; many adapters have a switch for it",
        )
        if tally.answered
        else (
            "the adapter works, so look beyond it: unplug the bus from it; what then still comes back is its own echo",
            "then as for silence: A and B, power, unit address",
        ),
        stands_in_the_way=False,
    )


def _other_line(seen: ControllerEvidence, trial: Trial) -> Diagnosis:
    failure = Failure.NOISE if seen.tally.damaged else Failure.SILENCE
    return Diagnosis(
        failure,
        seen.controller,
        f"the controller talks with other line settings: {trial.words}",
        f"{_numbers(seen.tally)}; with {trial.words} it {_DOES[trial.outcome]}",
        (f"write {trial.words} into the oven file", "leave the controller as it is"),
        change=trial.change,
    )


def _silence(seen: ControllerEvidence) -> Diagnosis:
    unit = next((trial for trial in seen.unit_trials if trial.is_understood), None)
    if unit is not None:
        return Diagnosis(
            Failure.SILENCE,
            seen.controller,
            f"the controller has another unit address: {unit.words}",
            f"{_numbers(seen.tally)}; with {unit.words} it answers",
            (f"write {unit.words} into the oven file",),
            change=unit.change,
        )
    tried = len(seen.line_trials) + len(seen.unit_trials)
    also = f"; {tried} other line settings and unit addresses were silent too" if tried else ""
    if seen.framing is Framing.TEXT:
        advice: tuple[str, ...] = (
            "see that the device is on, and that its cable carries data, not only power",
            "compare baud with the manual",
            "see what ends its question, and whether it wants one at all (leave query out if it talks by itself)",
        )
    elif seen.framing is Framing.TCP:
        advice = (
            "the network works, so look at the unit address: behind a gateway it is the controller's own",
            "see that the controller behind the gateway is on, and the gateway's line settings are the controller's",
        )
    else:
        advice = (
            "see that the controller is on and that its communication is switched on in its menu",
            "swap the two wires A and B: makers disagree about which is which, and nothing is harmed",
            "see that the communication card is fitted at all: look at the label beside the terminals",
            "compare unit address, baud and parity with the controller's own menu",
            "RS-232: try a crossed cable instead of a straight one",
        )
    return Diagnosis(
        Failure.SILENCE,
        seen.controller,
        "nothing comes back; power, wires, unit address, line settings or the card",
        _numbers(seen.tally) + also,
        advice,
        Certainty.ONE_OF_SEVERAL,
    )


def _other_pattern(seen: ControllerEvidence) -> Diagnosis:
    return Diagnosis(
        Failure.MISREAD,
        seen.controller,
        "the device sends lines, but not such as the pattern describes",
        f"{_numbers(seen.tally)}; heard: {seen.tally.heard[:60]!r}",
        ("write the pattern for the whole line that was heard, with a named field for each number",),
        change=(("pattern", "the line that was heard"),),
    )


def _always_damaged(seen: ControllerEvidence) -> Diagnosis:
    return Diagnosis(
        Failure.NOISE,
        seen.controller,
        "every answer arrives damaged",
        f"{_numbers(seen.tally)}; heard {seen.tally.heard[:16].hex(' ')}",
        (
            "compare baud, parity and stop bits with the controller's own menu: one step off looks like this",
            "swap A and B if all that comes is 00 or FF",
            *_BIAS,
            "try another adapter: cheap ones, and ones for another voltage, damage every byte",
        ),
        Certainty.ONE_OF_SEVERAL,
    )


def _refused(seen: ControllerEvidence) -> Diagnosis:
    code, _ = Counter(seen.tally.refused).most_common(1)[0]
    if code in (4, 5, 6):
        return Diagnosis(
            Failure.NOW_AND_THEN,
            seen.controller,
            "the controller is busy with itself",
            _numbers(seen.tally),
            ("ask less often (poll_interval_s), and widen gap_s", "see whether it shows an error of its own"),
            Certainty.LIKELY,
        )
    if code in (10, 11):
        return Diagnosis(
            Failure.SILENCE,
            seen.controller,
            "the gateway answers, the controller behind it does not",
            _numbers(seen.tally),
            (
                "see that the controller is on and wired to the gateway: A and B",
                "compare unit address, and the gateway's baud and parity, with the controller's menu",
            ),
            Certainty.ONE_OF_SEVERAL,
        )
    good = [trial for trial in seen.register_trials if trial.outcome is Outcome.ANSWERED]
    best = next((trial for trial in good if isfinite(trial.temperature_K)), good[0] if len(good) == 1 else None)
    what = {
        1: "the controller does not know this function code",
        2: "the controller has no such register: often the manual counts from 1 and the wire from 0",
        3: "the controller will not give this many registers at once",
    }.get(code, "the controller refuses the question")
    offered = f"; answered instead: {'; '.join(trial.words for trial in good[:6])}" if good else ""
    advice = (f"write {best.words} into the oven file, then compare with the display",) if best is not None else ()
    return Diagnosis(
        Failure.WRONG_REGISTER,
        seen.controller,
        f"the wiring and the unit address are good; {what}",
        _numbers(seen.tally) + offered,
        (
            *advice,
            "try one register less and one more, and function code 3 instead of 4 or 4 instead of 3",
            "or let soaktally find it: soaktally find OVEN.toml",
        ),
        Certainty.LIKELY if best is not None else Certainty.SURE,
        change=best.change if best is not None else (),
    )


def _sometimes(seen: ControllerEvidence) -> Iterable[Diagnosis]:
    tally = seen.tally
    hit_rate = tally.answered / tally.asked
    damaged = [why for why in tally.damaged if why in ("garbled", "cut", "noise", "pattern")]
    if damaged:
        yield Diagnosis(
            Failure.NOISE,
            seen.controller,
            "some answers arrive damaged",
            _numbers(tally) + (f"; {tally.stray_bytes} stray bytes" if tally.stray_bytes else ""),
            (*_BIAS, "try a shorter cable, a lower baud, another adapter"),
            Certainty.LIKELY,
            stands_in_the_way=hit_rate < 0.5,
        )
    elif tally.stray_bytes:
        yield Diagnosis(
            Failure.NOISE,
            seen.controller,
            "stray bytes around the answers: the idle line floats, or the driver turns round late",
            f"{tally.stray_bytes} stray bytes in {tally.asked} questions; {_numbers(tally)}",
            _BIAS,
            Certainty.LIKELY,
            stands_in_the_way=False,
        )
    if tally.silent and hit_rate < ALL_ANSWERED:
        yield _now_and_then(seen, hit_rate)


def _now_and_then(seen: ControllerEvidence, hit_rate: float) -> Diagnosis:
    better = next(
        (trial for trial in seen.pace_trials if trial.gap_s > seen.gap_s and trial.answered == trial.asked), None
    )
    said = f"hit rate {100.0 * hit_rate:.0f} %: {_numbers(seen.tally)}"
    if better is not None:
        return Diagnosis(
            Failure.NOW_AND_THEN,
            seen.controller,
            "it is asked faster than it likes",
            f"{said}; with {better.gap_s:g} s before each question {better.answered} of {better.asked}",
            (f"write gap_s = {better.gap_s:g} into the oven file",),
            stands_in_the_way=hit_rate < 0.5,
            change=(("gap_s", f"{better.gap_s:g}"),),
        )
    return Diagnosis(
        Failure.NOW_AND_THEN,
        seen.controller,
        "answers get lost whatever the pace",
        said + ("; a wider gap did not help" if seen.pace_trials else ""),
        (
            "look at every terminal: one loose strand does this",
            "see whether a second master or program is on the line",
            "give it longer (answer_deadline_s = 1), then try another adapter",
        ),
        Certainty.ONE_OF_SEVERAL,
        stands_in_the_way=hit_rate < 0.5,
    )


def _others_answers(seen: ControllerEvidence) -> Iterable[Diagnosis]:
    tally = seen.tally
    doubled = tally.double_answers or "double" in tally.damaged
    foreign = tally.damaged.count("foreign")
    in_the_way = tally.answered < 0.5 * tally.asked
    if tally.foreign_units:
        yield Diagnosis(
            Failure.OTHERS_ANSWERS,
            seen.controller,
            "frames of other units are on the line: a second master asks, or a unit answers for another",
            f"{tally.foreign_units} frames of other units in {tally.asked} questions; {_numbers(tally)}",
            (
                "find the second master (a panel, another computer or program) and let only one ask",
                "see that no two units have one address",
            ),
            Certainty.LIKELY,
            stands_in_the_way=in_the_way,
        )
    if tally.left_over or (foreign and not tally.foreign_units):
        yield Diagnosis(
            Failure.OTHERS_ANSWERS,
            seen.controller,
            "answers come late, or belong to an earlier question",
            f"{max(tally.left_over, foreign)} such answers in {tally.asked} questions, none of them taken; "
            f"{_numbers(tally)}",
            (
                "give it longer: answer_deadline_s = 1 and slowest_answer_s = 2",
                "widen gap_s; ask less often",
                "behind a bridge or gateway: see that no other client asks through it",
            ),
            Certainty.LIKELY,
            stands_in_the_way=in_the_way,
            change=(("answer_deadline_s", "1"), ("slowest_answer_s", "2")),
        )
    if doubled:
        yield Diagnosis(
            Failure.OTHERS_ANSWERS,
            seen.controller,
            "two answers to one question",
            f"{_numbers(tally)}",
            (
                "see that no two units have one address",
                "find a second master or program on the line",
                "a bridge that repeats packets does this too: look into its settings",
            ),
            Certainty.ONE_OF_SEVERAL,
            stands_in_the_way=in_the_way,
        )
