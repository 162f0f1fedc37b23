"""How fast the physics is. Prints; asserts nothing. Run: python -m tests.benchmarks.physics."""

import time
from collections.abc import Callable

import numpy as np

from pipeline.physics.charts import Chart, chart_volume_l, nominal_chart
from pipeline.physics.expansion import density_15_kg_m3, product_vcf, vcf_15
from pipeline.physics.geometry import TankShape, level_mm, volume_l


def seconds(work: Callable[[], object], times: int = 3) -> float:
    """Best of a few runs."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best


def main() -> None:
    """Print each piece of work with its time, and beside it numpy's own search where there is one."""
    rng = np.random.default_rng(1)
    tank = TankShape("horizontal_cylinder", "torispherical", 2500.0, 8000.0)
    levels = np.arange(0.0, 2501.0, 10.0)
    charts = {"rows of 10 mm": Chart(levels, volume_l(levels, tank)), "uneven rows": nominal_chart(tank)}
    shuffled = rng.uniform(0.0, 2500.0, 10_000_000)
    in_order = 1200.0 + np.cumsum(rng.normal(0.0, 1e-3, 10_000_000))
    for name, chart in charts.items():
        for order, at in (("shuffled", shuffled), ("in order", in_order)):
            ours = seconds(lambda c=chart, a=at: chart_volume_l(a, c))
            search = seconds(lambda c=chart, a=at: np.interp(a, c.level_mm, c.volume_l))
            print(f"10 M levels, {name}, {order}: {ours:.3f} s; numpy.interp {search:.3f} s")
    some = rng.uniform(0.0, 2500.0, 10_000)
    litres = volume_l(some, tank, tilt_mm_per_m=10.0)
    print(f"10 k volumes, tilted: {seconds(lambda: volume_l(some, tank, tilt_mm_per_m=10.0)):.3f} s")
    print(f"10 k levels of volumes, tilted: {seconds(lambda: level_mm(litres, tank, tilt_mm_per_m=10.0)):.3f} s")
    print(f"a chart of the tilted tank: {seconds(lambda: nominal_chart(tank, tilt_mm_per_m=10.0)):.3f} s")
    temp, density = rng.uniform(-10.0, 40.0, 1_000_000), rng.uniform(720.0, 860.0, 1_000_000)
    print(f"1 M factors, each its own density: {seconds(lambda: vcf_15(temp, density)):.3f} s")
    print(f"1 M densities to 15 °C: {seconds(lambda: density_15_kg_m3(density, temp)):.3f} s")
    print(f"1 M factors of one product: {seconds(lambda: product_vcf('gasoline_e10', temp)):.3f} s")


if __name__ == "__main__":
    main()
