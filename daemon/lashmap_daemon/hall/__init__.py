"""Many stands watched over the bus, in a terminal and in a browser; nothing is sent, nothing is trusted."""
