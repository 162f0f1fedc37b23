-- One row is a part of a day that is not among the tank-days.
-- fail
select
    variance_parts.tank_id,
    variance_parts.trading_day,
    variance_parts.part
from variance_parts
anti join tank_days using (tank_id, trading_day)
