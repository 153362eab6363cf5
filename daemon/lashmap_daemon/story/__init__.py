"""What happened in a test: events, and the sentences that tell them."""
