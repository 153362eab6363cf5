"""What people see in a terminal: live screen, plain lines, summaries, prompts."""
