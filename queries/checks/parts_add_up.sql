-- One row is a tank-day whose parts do not add up to its variance, or one of the two without the other.
-- Tolerance: a millionth of a litre and of the variance, for sums in another order.
-- fail
with
    parts as (
        select
            tank_id,
            trading_day,
            sum(litres) as parts_l
        from variance_parts
        group by
            tank_id,
            trading_day
    )
select
    tank_id,
    trading_day,
    tank_days.variance_l,
    parts.parts_l
from tank_days
full join parts using (tank_id, trading_day)
where
    (tank_days.variance_l is null) <> (parts.parts_l is null)
    or abs(tank_days.variance_l - parts.parts_l) > 1e-6 + 1e-6 * abs(tank_days.variance_l)
