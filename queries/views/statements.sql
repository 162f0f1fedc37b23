-- One row is a tank's month: its statement, how many days it stands on, and what its variance is worth.
-- Reads the tables prices, sites, statements, tank_days and tanks.
with known as (
    select
        tank_id,
        date_trunc('month', trading_day)::date as month,
        count(variance_l) as days
    from main.tank_days
    group by all
)

select
    statements.tank_id,
    statements.month,
    tanks.site_id,
    sites.name as site,
    tanks.product,
    coalesce(known.days, 0) as days,
    statements.throughput_l,
    statements.variance_l,
    100 * statements.variance_l / nullif(statements.throughput_l, 0) as variance_pct,
    statements.variance_l * prices.price as variance_worth,
    sites.currency,
    statements.allowance_l,
    abs(statements.variance_l) > statements.allowance_l as is_beyond_allowance,
    statements.leak_rate_l_per_h,
    statements.leak_rate_low,
    statements.leak_rate_high,
    statements.detectable_l_per_h,
    statements.verdict,
    statements.reason
from main.statements
inner join main.tanks using (tank_id)
inner join main.sites using (site_id)
left join main.prices using (tank_id)
left join known using (tank_id, month)
order by
    statements.tank_id,
    statements.month
