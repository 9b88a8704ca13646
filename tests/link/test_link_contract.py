"""What every link promises, over the broker in memory, the embedded one and a real Mosquitto."""

import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from brokers import Mosquitto, free_port
from waiting import wait_until

from sensord.errors import LinkError
from sensord.link.base import Link, Message, Subscriber, Will
from sensord.link.broker import EmbeddedBroker
from sensord.link.login import shared_password
from sensord.link.memory import MemoryBroker, MemoryLink, matches
from sensord.link.mqtt import MqttLink
from sensord.settings import BrokerSettings


class Place:
    """A broker, whichever it is, and links to it."""

    def __init__(self, kind: str, folder: Path) -> None:
        self.kind, self._links, self._close = kind, [], lambda: None
        self.settings, self.password, self.memory = BrokerSettings(), "", MemoryBroker()
        if kind == "mosquitto":
            broker = Mosquitto(folder / "mosquitto").start()
            self.settings, self._close = broker.settings, broker.kill
        if kind == "embedded":
            self.password = shared_password(folder / "broker-password")
            self.settings = BrokerSettings(port=free_port(), username="nestclimate", keepalive_s=5)
            embedded = EmbeddedBroker(self.settings.port, username="nestclimate", password=self.password)
            embedded.start()
            self._close = embedded.close

    def link(self, name: str, subscriber: Subscriber | None = None, will: Will | None = None) -> Link:
        """A started link that the broker let in."""
        made: Link
        if self.kind == "memory":
            made = MemoryLink(self.memory, name, subscriber, will)
        else:
            made = MqttLink(self.settings, name, subscriber, will, password=self.password)
        self._links.append(made)
        made.start()
        wait_until(lambda: made.connected, what=f"{name} is let in")
        return made

    def vanish(self, link: Link, name: str) -> None:
        """The client is cut off without a word."""
        if isinstance(link, MqttLink):
            link._client.socket().shutdown(socket.SHUT_RDWR)
        else:
            self.memory.vanish(name)

    def close(self) -> None:
        for link in self._links:
            link.close(1)
        self._close()


@pytest.fixture(params=["memory", "embedded", pytest.param("mosquitto", marks=pytest.mark.mosquitto)])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    made = Place(request.param, tmp_path)
    yield made
    made.close()


def listener(place: Place, name: str, **more: bool) -> tuple[Link, list[Message]]:
    """A link that collects what arrives on ``t/#``, and the collection."""
    found: list[Message] = []
    return place.link(name, Subscriber(("t/#",), found.append, **more)), found


def until(found: list[Message], count: int) -> list[bytes]:
    wait_until(lambda: len(found) >= count, what=f"{count} messages")
    return [message.payload for message in found]


def publish_until_seen(link: Link, found: list[Message]) -> None:
    """A subscription takes effect some time after coming up: knock until it is heard."""

    def knock() -> bool:
        link.publish("t/knock", b"?")
        return bool(found)

    wait_until(knock, what="the subscription works")
    wait_until(lambda: link.publish("t/knock", b"last") and any(each.payload == b"last" for each in found))


def test_messages_arrive_in_order_and_one_bad_handler_stops_nothing(place: Place) -> None:
    found: list[Message] = []

    def handle(message: Message) -> None:
        found.append(message)
        raise RuntimeError("a mistake in the handler")

    link = place.link("a", Subscriber(("t/#",), handle))
    publish_until_seen(link, found)
    before = len([each for each in found if each.topic == "t/n"])
    assert before == 0
    for number in range(50):
        assert link.publish("t/n", str(number).encode())
    wait_until(lambda: len([each for each in found if each.topic == "t/n"]) == 50, what="all 50")
    assert [int(each.payload) for each in found if each.topic == "t/n"] == list(range(50))


def test_retained_messages_meet_whoever_comes_later(place: Place) -> None:
    place.link("a").publish("t/state", b"up", retain=True)
    _, found = listener(place, "b")
    assert until(found, 1) == [b"up"]


def test_a_kept_session_gets_what_was_sent_while_it_was_away(place: Place) -> None:
    link, found = listener(place, "a", keep_session=True)
    publish_until_seen(link, found)
    link.close()
    other = place.link("b")
    for number in range(20):
        other.publish("t/n", str(number).encode())
    other.close()
    _, later = listener(place, "a", keep_session=True)
    assert until(later, 20)[-20:] == [str(number).encode() for number in range(20)]


def test_a_message_never_acknowledged_comes_again(place: Place) -> None:
    """But not from the embedded broker, which forgets what was on its way: the outbox covers for it."""
    if place.kind == "embedded":
        pytest.skip("amqtt sends nothing again; the outbox does")
    link, found = listener(place, "a", keep_session=True, by_hand=True)
    publish_until_seen(link, found)
    for message in found:
        link.ack(message)
    found.clear()
    place.link("b").publish("t/n", b"1")
    until(found, 1)
    link.close()
    again, later = listener(place, "a", keep_session=True, by_hand=True)
    wait_until(lambda: any(each.payload == b"1" for each in later), what="it comes again")
    for message in later:
        again.ack(message)


def test_a_client_that_vanishes_leaves_its_will_and_one_that_leaves_does_not(place: Place) -> None:
    _, found = listener(place, "watcher")
    polite = place.link("polite", will=Will("t/polite", b"gone"))
    polite.close()
    rude = place.link("rude", will=Will("t/rude", b"gone"))
    place.vanish(rude, "rude")
    wait_until(lambda: any(each.topic == "t/rude" for each in found), what="the will")
    assert not any(each.topic == "t/polite" for each in found)


def test_nothing_is_taken_while_not_connected(place: Place) -> None:
    link = place.link("a")
    link.close()
    assert not link.connected
    assert not link.publish("t/n", b"1")
    link.close()


def test_leaving_waits_for_what_was_handed_over(place: Place) -> None:
    receiver, found = listener(place, "b")
    publish_until_seen(receiver, found)
    link = place.link("a")
    for number in range(500):
        assert link.publish("t/n", str(number).encode())
    link.close(10)
    wait_until(lambda: len([each for each in found if each.topic == "t/n"]) == 500, what="all 500")


@pytest.mark.parametrize(
    ("topic_filter", "topic", "expected"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("+", "/finance", False),
    ],
)
def test_filters_in_memory_match_as_the_examples_of_mqtt_3_1_1_section_4_7(
    topic_filter: str, topic: str, *, expected: bool
) -> None:
    assert matches(topic_filter, topic) is expected


@pytest.mark.mosquitto
def test_a_link_may_start_before_its_broker(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    link = MqttLink(broker.settings, "early")
    link.start()
    wait_until(lambda: link.problem, what="it says that nobody is there")
    assert "cannot be reached" in link.problem
    broker.start()
    wait_until(lambda: link.connected, what="it connects when the broker comes")
    assert link.problem == ""
    link.close()
    broker.kill()


@pytest.mark.mosquitto
def test_mqtt_5_works_and_keeps_its_session(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path).start()
    settings = replace(broker.settings, protocol="5")
    kept: list[bool] = []
    for link in [MqttLink(settings, "five", Subscriber(("t/#",), on_up=kept.append, keep_session=True)) for _ in "12"]:
        link.start()
        wait_until(partial(link.publish, "t/1", b"1"), what="let in")
        link.close()
    assert kept == [False, True]
    broker.kill()


def problem_of(make: Callable[[], MqttLink]) -> str:
    link = make()
    link.start()
    try:
        return wait_until(lambda: link.problem, what="it says what is wrong")
    finally:
        link.close(1)


def test_the_embedded_broker_refuses_strangers_and_says_so_when_its_port_is_taken(tmp_path: Path) -> None:
    settings = BrokerSettings(port=free_port(), username="stranger")
    with EmbeddedBroker(settings.port, username="nestclimate", password="secret"):
        assert "refuses us" in problem_of(lambda: MqttLink(settings, "x", password="guess"))
        assert "refuses us" in problem_of(lambda: MqttLink(replace(settings, username=""), "y"))
        with pytest.raises(LinkError, match="cannot listen on"):
            EmbeddedBroker(settings.port, username="a", password="b").start()
        with socket.create_connection(("127.0.0.1", settings.port), 1):
            pass


@pytest.mark.slow
def test_a_broker_that_never_answers_is_told_of() -> None:
    """As an MQTT 5 client sees a broker that speaks 3.1.1 only."""
    settings = BrokerSettings(port=free_port(), username="nestclimate", protocol="5")
    with EmbeddedBroker(settings.port, username="nestclimate", password="secret"):
        assert "perhaps it does not speak MQTT 5" in problem_of(lambda: MqttLink(settings, "x", password="secret"))


def test_the_shared_password_is_drawn_once_and_private(tmp_path: Path) -> None:
    file = tmp_path / "data" / "broker-password"
    assert shared_password(file) == shared_password(file)
    assert len(shared_password(file)) >= 24
    assert file.stat().st_mode & 0o077 == 0
