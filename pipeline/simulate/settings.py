"""How an invented fleet behaves: every figure that a caller may want to turn."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FleetSettings:
    """Shares and rates of faults and of a historian's quirks.

    Attributes
    ----------
    fault_rate : float
        Faults per tank over the whole window, at most one a tank (two for `second_fault_share` of them).
    ruled_out_share : float
        Healthy tanks that carry a label of a suspicion that was looked into and ruled out.
    outages_per_month : float
        Gaps of half an hour to two days in a gauge's data, per tank and 30 days.
    missing_share : float
        Readings lost one by one.
    exception_share, snapshot_share : float
        Sites whose historian reports on exception, and sites that repeat a held value at regular times.
    interval_weights : tuple of float
        Weights of readings every 30, 60, 300 and 600 s.
    density_share, no_water_share : float
        Tanks with a densitometer; sites whose gauge knows no water.
    deadband_mm : float, optional
        The deadband of every site that has one; None draws it, from 0.1 to 1 mm.
    noise_class : str, optional
        `good`, `typical` or `poor` for every gauge; None draws it.
    tail_dof : float, optional
        Degrees of freedom, above 2, of a Student noise of the same SD in place of the levels' Gaussian one.
    family : str
        Name of the physics that the fleet is drawn from; see `pipeline.simulate.families`.
    quirks : bool
        False leaves out gaps, repeated, late and bad rows, deadbands, resets and till offsets.
    """

    fault_rate: float = 0.35
    second_fault_share: float = 0.08
    ruled_out_share: float = 0.05
    outages_per_month: float = 0.6
    missing_share: float = 0.006
    exception_share: float = 0.12
    snapshot_share: float = 0.06
    interval_weights: tuple[float, float, float, float] = (0.04, 0.62, 0.28, 0.06)
    density_share: float = 0.5
    no_water_share: float = 0.05
    deadband_mm: float | None = None
    noise_class: str | None = None
    tail_dof: float | None = None
    family: str = "plain"
    quirks: bool = True
