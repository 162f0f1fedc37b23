-- One row is a tank's month that has days and no statement, or a statement and no day.
-- fail
with
    months as (
        select distinct
            tank_id,
            date_trunc('month', trading_day)::date as month
        from tank_days
    )
select
    tank_id,
    month
from months
full join statements using (tank_id, month)
where
    months.tank_id is null
    or statements.tank_id is null
