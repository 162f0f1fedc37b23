-- One row is a case that does not name what its cause is about: a meter, a delivery, a rate, an error, or a site alone.
-- fail
select
    case_id,
    cause,
    tank_id,
    meter_id,
    delivery_id,
    rate_l_per_h,
    meter_error_pct
from cases
where
    (
        cause in ('meter_drift', 'missing_sales', 'wrong_feed')
        and meter_id is null
    )
    or (
        cause in ('short_delivery', 'over_delivery', 'wrong_product')
        and delivery_id is null
    )
    or (
        cause in ('tank_leak', 'line_leak')
        and rate_l_per_h is null
    )
    or (
        cause = 'meter_drift'
        and meter_error_pct is null
    )
    or (
        cause = 'clock_skew'
        and (tank_id is not null or meter_id is not null or delivery_id is not null)
    )
    or (
        cause not in ('clock_skew', 'meter_drift', 'missing_sales')
        and tank_id is null
    )
