-- One row is a tank's trading day at whose close the last weeks' variance is beyond a share of what was sold.
-- rule: Variance of the last weeks as a share of sales
-- looks for: A loss or gain of half a per cent of throughput over the last weeks, the trade's usual line.
-- cause: tank_leak, line_leak, slow_theft, meter_drift, missing_sales, wrong_feed, unexplained
-- parameter: threshold = 0.5 [0.02, 20] % of what was sold
-- parameter: days = 28 [3, 120] trading days that are added up
with
    sums as (
        select
            tank_id,
            day,
            sum(variance_l) over last_days as variance_l,
            sum(sales_l) over last_days as sales_l,
            count(variance_l) over last_days as days
        from tank_days
        window last_days as (
            partition by tank_id
            order by trading_day
            rows between cast($days as bigint) - 1 preceding and current row
        )
    )
select
    tank_id,
    day,
    case when variance_l < 0 then 'slow_theft' else 'unexplained' end as cause,
    100 * abs(variance_l) / sales_l as score,
    printf('%.0f l of %.0f l sold in %d days', variance_l, sales_l, days) as note
from sums
where
    days >= $days
    and sales_l > 0
    and 100 * abs(variance_l) >= $threshold * sales_l
