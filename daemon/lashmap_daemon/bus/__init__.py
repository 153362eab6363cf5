"""The bus: what a stand publishes over MQTT and what others may ask of it, when its file says so."""

import logging

# Without a log to write to, nothing may appear on the screen of a running test.
logging.getLogger("lashmap.bus").addHandler(logging.NullHandler())
