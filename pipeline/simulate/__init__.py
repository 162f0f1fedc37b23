"""Invented fleets with known truth: contract lakes whose every loss and gain is labelled."""

from pipeline.simulate.run import simulate_fleet
from pipeline.simulate.settings import FleetSettings

__all__ = ["FleetSettings", "simulate_fleet"]
