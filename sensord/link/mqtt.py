"""The link over paho-mqtt, the only module that imports it.

paho's own queue is in memory only and its own thread dies with an exception in a callback, so: little is handed to it at
a time, every callback is guarded, and our thread drives its loop, connects again with a jittered pause, and notices a
broker that never answers.
"""

from __future__ import annotations

import logging
import random
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensord.clock import Clock, SystemClock
from sensord.errors import LinkError
from sensord.link.base import Message, Subscriber, Will
from sensord.settings import BrokerSettings

ANSWER_WITHIN_S = 5.0
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
SESSION_KEPT_S = 30 * 86_400
MOST_QUEUED = 10_000
QOS = 1

_log = logging.getLogger(__name__)


class MqttLink:
    """A link to an MQTT broker; see base.py for what it promises.

    Args:
        settings: ``[broker]``. password: the secret itself, empty for none.
        client_id: fixed and of one process only: the broker drops whoever else uses it.
        tls_ca_file: certificate authority, None for no TLS.

    Raises:
        LinkError: the certificate authority cannot be read.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        client_id: str,
        subscriber: Subscriber | None = None,
        will: Will | None = None,
        *,
        password: str = "",
        tls_ca_file: Path | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._settings, self._subscriber, self._clock = settings, subscriber or Subscriber(), clock or SystemClock()
        self._where = f"broker {settings.host}:{settings.port}"
        self._client = _client(settings, client_id, self._subscriber)
        self._client.username_pw_set(settings.username or None, password or None)
        if will:
            self._client.will_set(will.topic, will.payload, qos=QOS, retain=True)
        self._keys = "host, port and tls_ca_file" if tls_ca_file else "host and port"
        if tls_ca_file:
            _use_tls(self._client, tls_ca_file)
        self._client.on_connect, self._client.on_message = self._on_connect, self._on_message
        self._client.on_publish, self._client.on_subscribe = self._on_publish, self._on_subscribe
        # With a handler here paho leaves all writing to our thread; two threads would mix their packets.
        self._client.on_socket_register_write = lambda *_: None
        self._lock = threading.Condition()
        self._generation = self._handed = self._taken = 0
        self._connected = False
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None
        self.problem = ""
        """What keeps us from the broker, one line; empty while connected or not yet tried."""

    @property
    def connected(self) -> bool:
        """Whether the broker let us in and has not been seen to vanish."""
        return self._connected

    def start(self) -> None:
        """Begin to connect, in the background."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
            self._thread.start()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> bool:
        """Hand over a message; False while not connected or when too much is on its way."""
        if not self._connected:
            return False
        with self._lock:
            self._handed += 1
        taken = self._client.publish(topic, payload, qos=QOS, retain=retain).rc == paho.MQTT_ERR_SUCCESS
        if not taken:
            with self._lock:
                self._handed -= 1
        return taken

    def ack(self, message: Message) -> None:
        """The message is safe with us. Packet numbers are used again, so one of an earlier connection is passed over."""
        generation, number, qos = message.token
        with self._lock:
            if generation == self._generation:
                self._client.ack(number, qos)

    def close(self, within_s: float = 5.0) -> None:
        """Wait until the broker has taken all, then leave cleanly."""
        with self._lock:
            self._lock.wait_for(lambda: not self._connected or self._taken >= self._handed, within_s)
        self._closing.set()
        if self._connected:
            self._client.disconnect()
        if self._thread and self._thread is not threading.current_thread():
            self._thread.join(within_s)
            self._thread = None

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._closing.is_set():
            try:
                was_in = self._connect_and_serve()
            except Exception as error:  # noqa: BLE001 - this thread must outlive whatever paho raises
                self._say(f"{self._where}: connection failed ({error})")
                was_in = False
            pause_s = FIRST_PAUSE_S if was_in else min(LONGEST_PAUSE_S, pause_s * 2)
            self._closing.wait(pause_s * random.uniform(0.5, 1.0))  # noqa: S311 - spreads reconnects, no secret

    def _connect_and_serve(self) -> bool:
        """One connection, from its start to its end; whether the broker let us in."""
        with self._lock:  # an ack of the old connection must not slip into the new one
            self._generation += 1
            try:
                self._client.reconnect()
            except ssl.SSLError as error:
                self._say(f"{self._where}: no TLS with it ({error.reason or error}): {_why_no_tls(error)}")
                return False
            except OSError as error:
                self._say(f"{self._where} cannot be reached ({error}): is it running, and are {self._keys} right?")
                return False
        deadline_s = self._clock.monotonic() + ANSWER_WITHIN_S
        was_in = False
        while self._client.loop(0.5) == paho.MQTT_ERR_SUCCESS:
            was_in = was_in or self._connected
            if not was_in and self._clock.monotonic() > deadline_s:
                self._say(f"{self._where} does not answer: perhaps it does not speak MQTT {self._settings.protocol}")
                break
        if not (was_in or self.problem or self._closing.is_set()):
            self._say(f"{self._where} hangs up without an answer: does it want TLS, and so [broker] tls_ca_file?")
        self._lost()
        return was_in

    def _lost(self) -> None:
        with self._lock:
            was_in, self._connected = self._connected, False
            self._lock.notify_all()
        if was_in and not self._closing.is_set():
            self._say(f"{self._where}: connection lost, connecting again")

    def _say(self, problem: str) -> None:
        if problem != self.problem:
            _log.warning("%s", problem)
        self.problem = problem

    def _on_connect(
        self, client: paho.Client, _data: Any, flags: paho.ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._say(f"{self._where} refuses us ({reason}): check [broker] username, password and its access rules")
            return
        self._connected, self.problem = True, ""
        _log.info("%s: connected", self._where)
        if self._subscriber.filters:
            client.subscribe([(each, QOS) for each in self._subscriber.filters])
        _guarded(lambda: self._subscriber.on_up(bool(flags.session_present)))

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        def tell() -> None:  # the topic is decoded inside: it may be no UTF-8
            token = (self._generation, message.mid, message.qos)
            self._subscriber.on_message(Message(message.topic, bytes(message.payload), message.retain, token))

        _guarded(tell)

    def _on_publish(self, _client: Any, _data: Any, _mid: int, reason: ReasonCode, _properties: Any) -> None:
        with self._lock:
            self._taken += 1
            self._lock.notify_all()
        if reason.is_failure:
            self._say(f"{self._where} refuses what we publish ({reason}): check its access rules")

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Any) -> None:
        refused = [reason for reason in reasons if reason.is_failure]
        if refused:
            self._say(f"{self._where} refuses our subscription ({refused[0]}): check its access rules")


def _client(settings: BrokerSettings, client_id: str, subscriber: Subscriber) -> paho.Client:
    version5 = settings.protocol == "5"
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id,
        clean_session=None if version5 else not subscriber.keep_session,
        protocol=paho.MQTTv5 if version5 else paho.MQTTv311,
        manual_ack=subscriber.by_hand,
    )
    client.max_queued_messages_set(MOST_QUEUED)
    if not version5:
        client.connect_async(settings.host, settings.port, settings.keepalive_s)
        return client
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    if subscriber.keep_session:
        properties.SessionExpiryInterval = SESSION_KEPT_S
    client.connect_async(
        settings.host,
        settings.port,
        settings.keepalive_s,
        clean_start=not subscriber.keep_session,
        properties=properties,
    )
    return client


def _why_no_tls(error: ssl.SSLError) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not accepted ({error.verify_message}); allowed is one in date, for the host of [broker],"
            " signed by [broker] tls_ca_file"
        )
    return "does this port speak TLS? If not, leave [broker] tls_ca_file out"


def _use_tls(client: paho.Client, ca_file: Path) -> None:
    try:
        client.tls_set(ca_certs=str(ca_file))
    except (OSError, ValueError) as error:
        raise LinkError(f"broker: tls_ca_file {ca_file} cannot be used ({error})") from error


def _guarded(handler: Callable[[], None]) -> None:
    try:
        handler()
    except Exception:  # noqa: BLE001 - an exception out of a callback would end paho's loop
        _log.exception("a handler failed; the link lives on")
