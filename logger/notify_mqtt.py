"""MQTT: alerts, the state of every oven for whoever asks later (retained), and a last will.

Topics, below the one in the settings ("soaktally" unless told otherwise):

    soaktally/alive             "yes" while soaktally runs; "no" once it has stopped, or the broker misses it (retained)
    soaktally/<oven>/state      what is true of the oven now, a JSON object (retained)
    soaktally/<oven>/alert      every alert event of the oven, a JSON object
    soaktally/alert             alert events that belong to no oven
"""

import json
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from logger.errors import OutsideFault
from logger.notify_channels import Message, reveal
from logger.notify_settings import MqttChannel

if TYPE_CHECKING:
    import paho.mqtt.client as mqtt

KEEPALIVE_S: Final = 30
"""The broker tells everyone of the last will after one and a half times this without a sign (our choice)."""

LONGEST_RECONNECT_S: Final = 30
"""The client library tries a lost broker again at least this often (our choice)."""


class MqttSender:
    """One connection to a broker, kept by the client library's own thread and taken up again by it."""

    def __init__(self, settings: MqttChannel) -> None:
        try:
            import paho.mqtt.client as mqtt
            from paho.mqtt.enums import CallbackAPIVersion
        except ImportError:
            raise OutsideFault(
                f"channel {settings.name}: the MQTT library is not installed; pip install 'soaktally[mqtt]'"
            ) from None
        self._settings = settings
        self._topic = "/".join(_level(part) for part in settings.topic.split("/"))
        self._alive = f"{self._topic}/alive"
        self._states: dict[str, str] = {}
        self._connected = threading.Event()
        self._why = "not connected yet"
        self._news = threading.Condition()
        self._under_way = ""  # id of the message that has been handed to the library and is not confirmed yet
        self._number = 0  # the library's number of it
        self._confirmed: set[int] = set()  # numbers confirmed since it was handed over
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=settings.client_id)
        if settings.user:
            self._client.username_pw_set(settings.user, reveal(settings.password))
        if settings.tls:
            self._client.tls_set()
        self._client.will_set(self._alive, "no", qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_publish = self._on_publish
        self._client.on_disconnect = self._on_disconnect
        self._client.reconnect_delay_set(1, LONGEST_RECONNECT_S)
        self._client.connect_async(settings.host, settings.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def send(self, message: Message, deadline_s: float) -> None:
        """Publish one message; the broker has confirmed it when this returns."""
        until_s = time.monotonic() + deadline_s
        if not self._connected.wait(deadline_s):
            raise OutsideFault(f"{self._settings.host}: {self._why}")
        if self._under_way != message.id:
            topic = "/".join(part for part in (self._topic, _level(message.oven), "alert") if part)
            body = json.dumps(message.values(), ensure_ascii=False)
            with self._news:
                self._confirmed.clear()
                self._under_way = message.id
            # From here on the client library repeats it by itself, also after a lost connection and even where it
            # reports an error: never publish it twice. Our lock is not held: the library's own locks are taken here
            # and while it calls `_on_publish`.
            self._number = self._client.publish(topic, body, qos=1).mid
        with self._news:
            left_s = max(0.0, until_s - time.monotonic())
            if not self._news.wait_for(lambda: self._number in self._confirmed, left_s):
                raise OutsideFault(f"{self._settings.host}: the broker has not confirmed it in {deadline_s:g} s")
            self._under_way = ""

    def publish_state(self, oven: str, values: Mapping[str, Any]) -> None:
        """Publish what is true of an oven now. Never waits; while the broker is away only the newest is kept."""
        topic = f"{self._topic}/{_level(oven)}/state"
        self._states[topic] = json.dumps(dict(values), ensure_ascii=False)
        if self._connected.is_set():
            self._client.publish(topic, self._states[topic], qos=0, retain=True)

    def close(self) -> None:
        """Say that soaktally has stopped, and go."""
        if self._connected.is_set():
            stopped = self._client.publish(self._alive, "no", qos=1, retain=True)
            with suppress(RuntimeError, ValueError):  # the broker is gone, and will tell of it itself
                stopped.wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: "mqtt.Client", _: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._why = f"the broker refuses: {str(reason).lower()}"
            return
        client.publish(self._alive, "yes", qos=1, retain=True)
        for topic, state in list(self._states.items()):
            client.publish(topic, state, qos=0, retain=True)
        self._connected.set()

    def _on_connect_fail(self, client: "mqtt.Client", _: Any) -> None:
        self._why = "the broker is not reached"

    def _on_disconnect(self, client: "mqtt.Client", _: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._connected.clear()
        if not self._why.startswith("the broker refuses"):
            self._why = "the connection to the broker was lost"

    def _on_publish(self, client: "mqtt.Client", _: Any, number: int, reason: Any, properties: Any) -> None:
        with self._news:
            if self._under_way:
                self._confirmed.add(number)
                self._news.notify_all()


def _level(name: str) -> str:
    """A name as one level of a topic: the characters that mean something there become hyphens."""
    return "".join("-" if character in "/+#\x00" else character for character in name)
