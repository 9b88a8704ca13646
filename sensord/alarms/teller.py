"""When news becomes a message: at once, but what comes in crowds is gathered, so that a hot room is one message."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import tzinfo

from sensord.alarms.deliveries import Deliveries
from sensord.alarms.lifecycle import RANK, AlarmState
from sensord.alarms.log import AlarmLog, News
from sensord.alarms.messages import compose, topic_of
from sensord.clock import MINUTE_MS, from_ms
from sensord.model import Priority
from sensord.settings import RouteSettings

WINDOW_MS = 10 * MINUTE_MS
MOST_OF_A_TOPIC = 3
MOST_OF_ALL = 8
URGENT_EVERY_MS = MINUTE_MS


class Teller:
    """Groups news by kind and room, and puts the messages into the outbox of the routes they concern.

    The first three messages of a topic within ten minutes go out at once; what follows is gathered and goes out as one
    message when the ten minutes have passed (one minute where it is urgent). No more than eight messages that are not
    urgent leave within ten minutes: a flood, in the standards' sense, begins above ten.
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
    ) -> None:
        """``quiet``: from and until, HH:MM in ``zone``, both blank for never. ``remind_ms``: 0 for never."""
        self._quiet, self._remind_ms = quiet, remind_ms
        self._alarms, self._deliveries = alarms, deliveries
        self._routes, self._zone, self._link = routes, zone, link

    def hear(self, news: Sequence[News]) -> None:
        """Take note, inside the caller's transaction; ``tell`` sends. What was noted survives a restart."""
        for each in news:
            self._deliveries.keep_news(each.what, each.alarm.id, each.alarm.priority)

    def remind(self, at_ms: int) -> None:
        """Note high alarms that stand, nobody acknowledged, and were last told too long ago. Caller's transaction."""
        if not self._remind_ms:
            return
        for alarm in self._alarms.standing():
            if alarm.priority != Priority.HIGH or alarm.state != AlarmState.UNACKNOWLEDGED:
                continue
            last_ms = self._deliveries.last_told(alarm.id)
            if last_ms is not None and at_ms - last_ms >= self._remind_ms:
                self._deliveries.keep_news("reminder", alarm.id, alarm.priority)

    def tell(self, at_ms: int) -> int:
        """Put what may go out now into the outbox, inside the caller's transaction; how many messages that made."""
        waiting: dict[str, list[tuple[int, News]]] = defaultdict(list)
        for number, what, alarm in self._deliveries.news():
            news = News(what, self._alarms.get(alarm))
            waiting[topic_of(news)].append((number, news))
        count = 0
        for topic, numbered in waiting.items():
            told = _unique([news for _, news in numbered])
            priority = max((each.alarm.priority for each in told), key=RANK.__getitem__)
            if self._may_go(topic, priority, at_ms):
                self._deliveries.drop_news(number for number, _ in numbered)
                message = compose(told, at_ms, self._zone, self._link)
                self._deliveries.add(message, self.routes_for(priority))
                count += 1
        return count

    def routes_for(self, priority: Priority) -> list[str]:
        """Names of the routes that want that priority. An all-clear goes the way of its alarm."""
        return [route.name for route in self._routes if str(priority) in route.priorities]

    def _may_go(self, topic: str, priority: Priority, at_ms: int) -> bool:
        if priority != Priority.HIGH and is_quiet(self._quiet, at_ms, self._zone):
            return False
        of_topic = self._deliveries.recent(topic, at_ms - WINDOW_MS + 1)
        if priority == Priority.HIGH:
            return len(of_topic) < MOST_OF_A_TOPIC or at_ms - of_topic[-1] >= URGENT_EVERY_MS
        of_all = self._deliveries.recent("", at_ms - WINDOW_MS + 1)
        return len(of_topic) < MOST_OF_A_TOPIC and len(of_all) < MOST_OF_ALL


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
