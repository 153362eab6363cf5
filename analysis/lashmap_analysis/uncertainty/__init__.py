"""Budgets after the GUM, and what the indicator's set-up contributes."""
