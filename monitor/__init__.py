"""The fan amp monitor: watches the motor current of grain-drying and aeration fans and calls before they trip."""

__version__ = "0.1.0"
