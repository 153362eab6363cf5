"""Bytes on a serial port become timestamped readings in mm and degrees; nothing here knows gears."""
