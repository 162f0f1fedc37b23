-- One row is a meter and week in which its tank's balance says that it is off.
-- rule: Meter off by the balance
-- looks for: A meter whose error, by its tank's balance, is beyond a limit and surely not nought.
-- cause: meter_drift
-- parameter: threshold = 0.5 [0.05, 10] %, either way
select
    tank_id,
    day,
    'meter_drift' as cause,
    meter_id,
    abs(error_pct) as score,
    printf('%.2f %% (%.2f to %.2f)', error_pct, error_low_pct, error_high_pct) as note
from meter_estimates
where
    abs(error_pct) >= $threshold
    and (error_low_pct > 0 or error_high_pct < 0)
