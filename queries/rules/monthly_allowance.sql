-- One row is a tank and calendar month whose variance is beyond what its throughput allows.
-- rule: Monthly inventory control
-- looks for: A calendar month whose variance, either way, is beyond 1 % of throughput and 130 US gallons, 40 CFR 280.43(a).
-- cause: any
-- parameter: threshold = 1 [0.1, 10] times the allowance
-- parameter: share_pct = 1 [0, 5] % of the month's throughput that is allowed
-- parameter: constant_l = 492.1035 [0, 2000] l that are allowed besides; 130 US gallons
-- parameter: min_days = 20 [1, 31] days of the month with a known variance
with
    months as (
        select
            tank_id,
            date_trunc('month', trading_day) as month,
            max(trading_day) as last_trading_day,
            max(day) as day,
            sum(variance_l) as variance_l,
            sum(sales_l) as throughput_l,
            count(variance_l) as days
        from tank_days
        group by all
    )
select
    tank_id,
    day,
    'unexplained' as cause,
    abs(variance_l) / ($share_pct / 100 * throughput_l + $constant_l) as score,
    printf('%.0f l of %.0f l sold', variance_l, throughput_l) as note
from months
where
    last_trading_day = last_day(last_trading_day)
    and days >= $min_days
    and abs(variance_l) >= $threshold * ($share_pct / 100 * throughput_l + $constant_l)
