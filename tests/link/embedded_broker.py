"""The embedded broker as a process of its own, so that it can be killed: ``python embedded_broker.py PORT PASSWORD``."""

from __future__ import annotations

import sys
import threading

from sensord.link.broker import EmbeddedBroker
from sensord.link.login import USERNAME

if __name__ == "__main__":
    with EmbeddedBroker(int(sys.argv[1]), username=USERNAME, password=sys.argv[2]):
        threading.Event().wait()
