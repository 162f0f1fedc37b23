"""Small fleets whose charts are wrong in known ways."""

from datetime import date

from pipeline.estimate.observe import observe_site
from pipeline.estimate.unit_walk import UnitWalk, walk_unit
from pipeline.simulate.chart import TrueShape, true_shape, with_chart_faults
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Tank, Window
from pipeline.simulate.run import simulate_world
from pipeline.simulate.settings import FleetSettings
from pipeline.sites import site_tables


def charted_fleet(*, seed: int, tanks: int, days: int) -> tuple[list[UnitWalk], dict[str, tuple[Tank, TrueShape]]]:
    """A fleet's walks, and each tank as it is with its true shape; every tank that can has a wrong chart."""
    settings = FleetSettings(fault_rate=1.0)
    fleet = draw_fleet(Window(date(2026, 3, 1), days), tanks, seed, settings)
    faults = plan_faults(fleet, ["chart_error"], settings)
    frames = simulate_world(fleet, faults, settings)
    truth = {}
    for tank in fleet.tanks:
        real = with_chart_faults(tank, [fault for fault in faults if fault.tank_index == tank.index])
        truth[tank.tank_id] = (real, true_shape(real, seed))
    tables = site_tables({name: frame for name, frame in frames.items() if not name.startswith("_")})
    units = [unit for one in tables for unit in observe_site(one).units]
    return [walk for unit in units if (walk := walk_unit(unit)) is not None], truth
