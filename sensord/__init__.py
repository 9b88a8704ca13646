"""nestclimate: the sensor daemon and the domain. The dashboard package builds on it, never the reverse."""

__version__ = "0.1.0"
