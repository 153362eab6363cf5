"""The bus: what a stand publishes over MQTT and what others may ask of it, when its file says so."""
