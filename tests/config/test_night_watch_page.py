"""The page about the night watch names every alert as it behaves, and every key of who is told."""

from pathlib import Path

import pytest

from logger.alert_rules import RULES, AlertKind
from logger.command import COMMANDS
from logger.notify_tables import KINDS, HeartbeatTable, NotifyTable, RetryTable
from logger.oven_file import read_oven
from tests.whole.served import oven_file

PAGE = (Path(__file__).parents[2] / "configs" / "night-watch.md").read_text(encoding="utf-8")


def span(duration_s: float) -> str:
    """A duration as the table has it."""
    if not duration_s:
        return ""
    if duration_s < 120.0:
        return f"{duration_s:.0f} s"
    return f"{duration_s / 60.0:.0f} min" if duration_s < 7200.0 else f"{duration_s / 3600.0:.0f} h"


@pytest.mark.parametrize("kind", [kind for kind in AlertKind if kind is not AlertKind.TEST])
def test_every_alert_stands_there_as_it_behaves(kind: AlertKind) -> None:
    rule = RULES[kind]
    times = " | ".join(span(one) for one in (rule.raise_after_s, rule.remind_every_s, rule.escalate_after_s))
    assert f"| {rule.title} | `{kind}` | {times} | {'yes' if rule.latched else ''} |" in PAGE


@pytest.mark.parametrize("key", [*NotifyTable.model_fields, *HeartbeatTable.model_fields, *RetryTable.model_fields])
def test_every_key_stands_there(key: str) -> None:
    assert f"`{key}`" in PAGE or f"\n{key} = " in PAGE


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_channel_stands_there(kind: str) -> None:
    assert f'"{kind}"' in PAGE


def test_every_command_it_names_is_one() -> None:
    lines = [line for part in PAGE.split("```sh")[1:] for line in part.split("```")[0].splitlines()]
    named = {line.split("soaktally ")[1].split()[0] for line in lines if line.startswith("soaktally ")}
    assert named <= set(COMMANDS)
    assert {
        "start",
        "stop",
        "mark",
        "acknowledge",
        "note",
        "alerts",
        "alert-test",
        "backup",
        "export",
        "import",
    } <= named


def test_its_example_is_an_oven_file(tmp_path: Path) -> None:
    examples = "\n".join(part.split("```")[0] for part in PAGE.split("```toml")[1:])
    oven = read_oven(oven_file(tmp_path, "east", "/dev/ttyS0", more=examples))
    assert [channel.kind for channel in oven.notify.channels] == ["push", "mail", "webhook", "mqtt", "sound"]
    assert oven.notify.heartbeat is not None
