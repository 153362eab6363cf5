"""What each command does; imported only when it runs."""
