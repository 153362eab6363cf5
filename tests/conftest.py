from __future__ import annotations

from hypothesis import HealthCheck, settings

# Neither a slow machine nor one that paused is a fault of what is tested. All else as hypothesis has it for
# the place: where CI is set it chooses another profile by itself.
settings.register_profile(
    "unhurried",
    parent=settings(),
    deadline=None,
    suppress_health_check={*settings().suppress_health_check, HealthCheck.too_slow},
)
settings.load_profile("unhurried")
