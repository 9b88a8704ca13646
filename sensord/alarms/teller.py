"""When news becomes a message: at once, but what comes in crowds is gathered, so that a hot room is one message."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import tzinfo

from sensord.alarms.deliveries import Deliveries, Telling
from sensord.alarms.lifecycle import RANK, Alarm, AlarmState
from sensord.alarms.log import AlarmLog, News
from sensord.alarms.messages import compose, topic_of
from sensord.clock import HOUR_MS, MINUTE_MS, from_ms
from sensord.model import Priority
from sensord.settings import RouteSettings

WINDOW_MS = 10 * MINUTE_MS
BURST_MS = 3 * HOUR_MS
ALL_CLEAR_WAITS_MS = HOUR_MS
MOST_OF_A_TOPIC = 3
MOST_OF_ALL = 8
FIRST_WAIT_MS, LONGEST_WAIT_MS = 10 * MINUTE_MS, 30 * MINUTE_MS
URGENT_FIRST_WAIT_MS, URGENT_LONGEST_WAIT_MS = MINUTE_MS, 10 * MINUTE_MS
INSISTING = ("reminder", "escalation", "still")


class Teller:
    """Groups news by kind and room, and puts the messages into the outbox of the routes they concern.

    The first three messages of a topic within three hours go out at once; what follows is gathered and goes out as one
    message ten minutes after the last, the next after twenty, and so on, half an hour at most (where it is urgent one minute, two,
    and so on, ten at most): who knows that a fridge warms up need not hear of its nests one by one. No more than eight
    messages that are not urgent leave within ten minutes: a flood, in the standards' sense, begins above ten. An all-clear
    waits, an hour at most, until nothing else of its topic stands.
    """

    def __init__(
        self,
        alarms: AlarmLog,
        deliveries: Deliveries,
        routes: Sequence[RouteSettings],
        zone: tzinfo,
        link: str,
        *,
        quiet: tuple[str, str] = ("", ""),
        remind_ms: int = 0,
        escalate_ms: int = 0,
    ) -> None:
        """``quiet``: from and until, HH:MM in ``zone``, both blank for never. ``remind_ms``, ``escalate_ms``: 0 for never."""
        self._quiet, self._remind_ms, self._escalate_ms = quiet, remind_ms, escalate_ms
        self._alarms, self._deliveries = alarms, deliveries
        self._routes, self._zone, self._link = routes, zone, link

    def hear(self, news: Sequence[News]) -> None:
        """Take note, inside the caller's transaction; ``tell`` sends. What was noted survives a restart."""
        for each in news:
            self._deliveries.keep_news(each.what, each.alarm.id, each.alarm.priority)

    def insist(self, at_ms: int) -> None:
        """Note what nobody acknowledged: high alarms are told again, and once to somebody else. Caller's transaction."""
        for alarm in self._alarms.standing():
            if alarm.priority == Priority.LOW or alarm.state != AlarmState.UNACKNOWLEDGED:
                continue
            told = self._deliveries.tellings(alarm.id)
            ours = [each for each in told if not is_escalation(each)]
            reminds = alarm.priority == Priority.HIGH and self._remind_ms > 0 and bool(ours)
            if reminds and at_ms - ours[-1].at_ms >= self._remind_ms:
                self._deliveries.keep_news("reminder", alarm.id, alarm.priority)
            if self._escalate_ms and self._to_escalate(alarm, told, at_ms):
                self._deliveries.keep_news("escalation", alarm.id, alarm.priority)

    def _to_escalate(self, alarm: Alarm, told: Sequence[Telling], at_ms: int) -> bool:
        """Told as urgently as it is, long enough ago, and to nobody else yet."""
        as_urgent = [each for each in told if RANK[each.priority] >= RANK[alarm.priority]]
        if not self.routes_for(alarm.priority, escalation=True) or any(is_escalation(each) for each in as_urgent):
            return False
        return bool(as_urgent) and at_ms - as_urgent[0].at_ms >= self._escalate_ms

    def tell(self, at_ms: int) -> int:
        """Put what may go out now into the outbox, inside the caller's transaction; how many messages that made."""
        waiting: dict[str, list[tuple[int, News]]] = defaultdict(list)
        for number, what, alarm in self._deliveries.news():
            news = News(what, self._alarms.get(alarm))
            if self._is_stale(news):
                self._deliveries.drop_news([number])
                continue
            waiting[topic_of(news)].append((number, news))
        count = 0
        for topic, numbered in waiting.items():
            told = _unique([news for _, news in numbered])
            priority = max((each.alarm.priority for each in told), key=RANK.__getitem__)
            if self._may_go(topic, priority, at_ms) and not self._others_stand(topic, told, at_ms):
                self._deliveries.drop_news(number for number, _ in numbered)
                message = compose(told, at_ms, self._zone, self._link)
                self._deliveries.add(message, self._ways(told, priority))
                count += 1
        return count

    @staticmethod
    def _is_stale(news: News) -> bool:
        """What was acknowledged needs no insisting; what was set aside since is told when it comes back, if it then stands."""
        if news.what in INSISTING:
            return news.alarm.state != AlarmState.UNACKNOWLEDGED
        return news.what in ("raised", "worse") and news.alarm.aside is not None

    def routes_for(self, priority: Priority, *, escalation: bool = False) -> list[str]:
        """Names of the routes that want that priority: the ordinary ones, or those for what nobody acknowledged."""
        return [
            route.name for route in self._routes if str(priority) in route.priorities and route.escalation == escalation
        ]

    def _ways(self, told: Sequence[News], priority: Priority) -> list[str]:
        """An all-clear goes the way of its alarm, to whoever was called for it as well."""
        others = self.routes_for(priority, escalation=True)
        if told[0].what == "escalation":
            return others
        called = told[0].what == "returned" and any(
            is_escalation(each) for news in told for each in self._deliveries.tellings(news.alarm.id)
        )
        return self.routes_for(priority) + (others if called else [])

    def _may_go(self, topic: str, priority: Priority, at_ms: int) -> bool:
        if priority != Priority.HIGH and is_quiet(self._quiet, at_ms, self._zone):
            return False
        of_topic = self._deliveries.recent(topic, at_ms - BURST_MS + 1)
        if of_topic and at_ms - of_topic[-1] < wait_ms(len(of_topic), urgent=priority == Priority.HIGH):
            return False
        return priority == Priority.HIGH or len(self._deliveries.recent("", at_ms - WINDOW_MS + 1)) < MOST_OF_ALL

    def _others_stand(self, topic: str, told: Sequence[News], at_ms: int) -> bool:
        """Whether an all-clear had better wait: what it would be the first half of still goes on."""
        over_ms = min((each.alarm.returned_ms or at_ms for each in told), default=at_ms)
        if told[0].what != "returned" or at_ms - over_ms >= ALL_CLEAR_WAITS_MS:
            return False
        standing = (alarm for alarm in self._alarms.standing() if alarm.aside is None)
        return any(topic_of(News("returned", alarm)) == topic for alarm in standing)


def wait_ms(told: int, *, urgent: bool) -> int:
    """How long after the last of ``told`` messages of a topic the next may leave. Pure."""
    first, longest = (URGENT_FIRST_WAIT_MS, URGENT_LONGEST_WAIT_MS) if urgent else (FIRST_WAIT_MS, LONGEST_WAIT_MS)
    return 0 if told < MOST_OF_A_TOPIC else min(longest, first << min(told - MOST_OF_A_TOPIC, 6))


def is_escalation(telling: Telling) -> bool:
    """Whether it went to somebody else because nobody had acknowledged."""
    return telling.topic.startswith("unheeded ")


def is_quiet(quiet: tuple[str, str], at_ms: int, zone: tzinfo) -> bool:
    """Whether the room's clock stands in the quiet hours, which may run over midnight. Pure."""
    start, end = quiet
    if not start or not end:
        return False
    now = from_ms(at_ms).astimezone(zone).strftime("%H:%M")
    return start <= now < end if start <= end else now >= start or now < end


def _unique(news: Sequence[News]) -> list[News]:
    """The last word on each alarm, in order."""
    return list({each.alarm.id: each for each in news}.values())
