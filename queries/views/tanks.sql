-- One row is a tank: what is in it, what ails its data, its month so far, and what stands on its worklist.
-- Reads the tables _standings, as_of, cases, data_health, last_readings, prices, sites, tank_days and tanks.
with stocks as (
    select
        tank_id,
        max(trading_day) as stock_on,
        max_by(closing_stock_l, trading_day) as stock_l
    from main.tank_days
    where closing_stock_l is not null
    group by tank_id
),

months as (
    select
        tank_id,
        date_trunc('month', trading_day)::date as month,
        sum(sales_l) as month_sales_l,
        sum(variance_l) as month_variance_l
    from main.tank_days
    group by
        tank_id,
        date_trunc('month', trading_day)
    qualify month = max(month) over ()
),

ailing as (
    select
        tank_id,
        string_agg(kind, ', ' order by kind) as troubles
    from main.data_health
    where tank_id is not null
    group by tank_id
),

listed as (
    select
        tank_id,
        count(*) as open_cases
    from main.cases
    inner join main._standings using (case_id)
    where _standings.state = 'current'
    group by tank_id
)

select
    tanks.tank_id,
    tanks.site_id,
    sites.name as site,
    tanks.product,
    tanks.manifold_id,
    tanks.capacity_l,
    tanks.safe_fill_l,
    as_of.day as data_to,
    last_readings.ts as last_reading_ts,
    (last_readings.ts at time zone 'UTC')::date as last_reading_on,
    last_readings.level_mm,
    last_readings.water_mm,
    last_readings.temp_c,
    stocks.stock_on,
    stocks.stock_l,
    tanks.safe_fill_l - stocks.stock_l as ullage_l,
    prices.price,
    sites.currency,
    months.month,
    months.month_sales_l,
    months.month_variance_l,
    ailing.troubles,
    coalesce(listed.open_cases, 0) as open_cases
from main.tanks
inner join main.sites using (site_id)
cross join main.as_of
left join main.last_readings using (tank_id)
left join main.prices using (tank_id)
left join stocks using (tank_id)
left join months using (tank_id)
left join ailing using (tank_id)
left join listed using (tank_id)
order by tanks.tank_id
