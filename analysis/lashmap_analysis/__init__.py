"""Arrays become lash, map, verdict and report; nothing here knows ports, event loops or clocks."""
