-- One row is a case whose litres have the wrong sign for its cause, or that gives litres without an interval.
-- fail
select
    case_id,
    cause,
    litres,
    litres_low,
    litres_high
from cases
where
    (
        cause in ('tank_leak', 'line_leak', 'bulk_theft', 'slow_theft', 'missing_sales', 'short_delivery')
        and litres > 0
    )
    or (
        cause in ('over_delivery', 'missing_ticket', 'water_ingress', 'wrong_feed')
        and litres < 0
    )
    or (
        litres is not null
        and (litres_low is null or litres_high is null)
    )
    or (
        litres is null
        and (litres_low is not null or litres_high is not null)
    )
