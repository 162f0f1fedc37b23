-- One row is a tank's trading day whose variance is beyond a limit.
-- rule: Daily variance beyond its limit
-- looks for: A trading day that lost or gained more than so many litres and a share of the day's sales.
-- cause: bulk_theft, short_delivery, over_delivery, missing_ticket, missing_sales, wrong_feed, probe_fault, unexplained
-- parameter: threshold = 1 [0.05, 50] times the limit
-- parameter: limit_l = 75 [1, 2000] l that any day is allowed
-- parameter: limit_pct = 0.5 [0, 10] % of the day's sales that is allowed besides
select
    tank_id,
    day,
    case when variance_l < 0 then 'bulk_theft' else 'unexplained' end as cause,
    abs(variance_l) / ($limit_l + $limit_pct / 100 * sales_l) as score,
    printf('%.0f l on a day that sold %.0f l', variance_l, sales_l) as note
from tank_days
where abs(variance_l) >= $threshold * ($limit_l + $limit_pct / 100 * sales_l)
