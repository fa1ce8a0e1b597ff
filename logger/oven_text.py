"""The text of an oven file from settings: what the register finder writes, ready for `check` and `watch`."""

import json
from dataclasses import dataclass
from textwrap import wrap

from logger.controllers.register_map import printed_forms
from logger.controllers.settings import ControllerSettings, Framing, NumberFormat, PortSettings, RegisterSource

COMMENT_AT = 28
DOUBT_WIDTH = 100


@dataclass(frozen=True, slots=True)
class FoundChannel:
    """A temperature channel as the finder found it."""

    name: str
    source: RegisterSource
    unit: str


def channel_text(channel: FoundChannel) -> str:
    """The ``[[port.controller.channel]]`` table of one channel, each line explained."""
    source = channel.source
    lines = [
        "[[port.controller.channel]]",
        f"name = {_quoted(channel.name)}",
        'quantity = "temperature"',
        _line("register", str(source.register.address), printed_forms(source.register)),
        f"function = {source.register.function_code}",
        "counted_from = 0",
        f'number = "{source.number}"',
    ]
    if source.number.register_count == 2:
        lines.append(_line("word_order", f'"{source.word_order}"', "which of the two registers has the high half"))
    example = _line("scale", f"{source.scale:g}", f"{_example(source)} in the register is 925")
    lines.append(example if source.number is not NumberFormat.FLOAT32 else f"scale = {source.scale:g}")
    lines.append(_line("unit", _quoted(channel.unit), "what the controller shows"))
    return "\n".join(lines) + "\n"


def oven_text(
    oven: str, port: PortSettings, controller: ControllerSettings, channels: list[FoundChannel], doubt: str = ""
) -> str:
    """A whole oven file for one controller on one port; ``doubt``: what is not sure of it, said on top."""
    lines = [
        *(f"# {line}" for line in wrap(doubt, DOUBT_WIDTH)),
        "# Written by soaktally find. Try it with: soaktally check",
        "# soaktally only ever reads. Nothing in this file can make it change anything in the controller.",
        "",
        "[oven]",
        f"name = {_quoted(oven)}",
        "",
        "[[port]]",
        f"name = {_quoted(port.name)}",
        f'framing = "{port.framing}"',
    ]
    if port.framing is not Framing.TCP and "://" not in port.name:
        lines.append(f"baud = {port.baud}")
        lines.append(f'parity = "{port.parity}"')
        if port.data_bits != 8:
            lines.append(f"data_bits = {port.data_bits}")
        lines.append(f"stop_bits = {port.stop_bits}")
    if port.settle_s:
        lines.append(f"settle_s = {port.settle_s:g}")
    lines += [
        "",
        "[[port.controller]]",
        f"name = {_quoted(controller.name)}",
        _line("unit_address", str(controller.unit_address), "the controller's own address on the line"),
        f"poll_interval_s = {controller.poll_interval_s:g}",
        _line("answer_deadline_s", f"{controller.answer_deadline_s:g}", "give up on a question after this long"),
        _line("slowest_answer_s", f"{controller.slowest_answer_s:g}", "but expect a late answer for this long"),
        _line("gap_s", f"{controller.gap_s:g}", "pause before each question"),
        "",
    ]
    return "\n".join(lines) + "\n" + "\n".join(channel_text(channel) for channel in channels)


def _line(key: str, value: str, comment: str) -> str:
    return f"{f'{key} = {value}':<{COMMENT_AT}}# {comment}"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _example(source: RegisterSource) -> str:
    return f"{925.0 / source.scale:.0f}"
