"""Push, chat and everything else the notification library reaches, by its addresses.

The library is loaded on the first message only: it is large, and most machines never need it.
"""

import logging

from logger.alert_rules import Severity
from logger.errors import Fault, InputFault, OutsideFault
from logger.notify_channels import Message, reveal
from logger.notify_settings import PushChannel


class PushSender:
    """Hands a message to the notification library, which gets one address and no retries of its own."""

    def __init__(self, settings: PushChannel) -> None:
        try:
            import apprise
        except ImportError:
            raise OutsideFault(
                f"channel {settings.name}: the notification library is not installed; pip install 'soaktally[push]'"
            ) from None
        # The library's own log repeats addresses, which are secrets; what it says comes with its results as well, and
        # is cleaned before anyone sees it.
        logging.getLogger("apprise").propagate = False
        self._types = {
            Severity.NEWS: apprise.NotifyType.INFO,
            Severity.WARNING: apprise.NotifyType.WARNING,
            Severity.DANGER: apprise.NotifyType.FAILURE,
        }
        self._library = apprise.Apprise()
        if not self._library.add(reveal(settings.address)):
            found = "an address of a kind it does not know, or with parts missing"
            raise InputFault(Fault(str(settings.address), found, "an address that the notification library knows"))

    def send(self, message: Message, deadline_s: float) -> None:
        """Send one message. The deadline is kept by the caller: the library has time limits of its own."""
        result = self._library.notify(
            title=message.headline, body=message.body, notify_type=self._types[Severity(message.severity)]
        )
        if not result:
            said = [" ".join(str(entry.message).split()) for entry in result.logs()]
            raise OutsideFault(said[-1] if said else "the notification library could not deliver it")

    def close(self) -> None:
        """Nothing to let go of."""
