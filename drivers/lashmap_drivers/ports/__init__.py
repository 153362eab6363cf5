"""Serial ports and what stands in for one: opened, drained, polled, found again; bytes and arrivals only."""
