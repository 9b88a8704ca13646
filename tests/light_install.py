"""Run inside an environment with the hub core alone: it imports, without the heavy packages and from the wheel."""

import importlib
import importlib.util
import pkgutil

import sensord
import sensord.link
import sensord.probes

NOT_ON_A_HUB = ("numpy", "dash", "influxdb_client", "apprise", "amqtt")
STATION_ONLY = {"sensord.link.broker"}

found = [name for name in NOT_ON_A_HUB if importlib.util.find_spec(name)]
assert not found, f"a hub must not need {found}"
assert "site-packages" in str(sensord.__file__), f"not from the wheel: {sensord.__file__}"
for package in (sensord.link, sensord.probes):
    for module in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
        if module.name not in STATION_ONLY:
            importlib.import_module(module.name)
