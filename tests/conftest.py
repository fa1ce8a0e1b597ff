"""What all tests share: hypothesis judges answers, never the speed of the machine it happens to run on."""

from hypothesis import HealthCheck, settings

settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")
