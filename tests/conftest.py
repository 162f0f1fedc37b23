"""Settings that hold for every test: the same examples each time, on any machine."""

from hypothesis import HealthCheck, settings

# `derandomize`: the same examples in every run. Deadlines measure the machine, not the code.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("repeatable"), max_examples=1000)
settings.load_profile("repeatable")
