-- One row is a site: when its tanks were last heard of, its month so far, and what stands on its worklist.
-- Reads the tables _standings, as_of, cases, last_readings, sites, tank_days and tanks.
with heard as (
    select
        tanks.site_id,
        count(*) as tanks,
        count(*) filter (
            where last_readings.ts is null or (last_readings.ts at time zone 'UTC')::date < as_of.day
        ) as silent_tanks,
        max(last_readings.ts) as last_reading_ts
    from main.tanks
    cross join main.as_of
    left join main.last_readings using (tank_id)
    group by tanks.site_id
),

months as (
    select
        tanks.site_id,
        date_trunc('month', tank_days.trading_day)::date as month,
        sum(tank_days.sales_l) as month_sales_l,
        sum(tank_days.variance_l) as month_variance_l
    from main.tank_days
    inner join main.tanks using (tank_id)
    group by
        tanks.site_id,
        date_trunc('month', tank_days.trading_day)
    -- The newest month of the fleet, so that sites can be set beside each other.
    qualify month = max(month) over ()
),

listed as (
    select
        site_id,
        count(*) as open_cases,
        count(*) filter (where urgency in ('act_now', 'today')) as urgent_cases
    from main.cases
    inner join main._standings using (case_id)
    where _standings.state = 'current'
    group by site_id
)

select
    sites.site_id,
    sites.name as site,
    sites.timezone,
    sites.currency,
    sites.latitude,
    sites.longitude,
    as_of.day as data_to,
    coalesce(heard.tanks, 0) as tanks,
    coalesce(heard.silent_tanks, 0) as silent_tanks,
    heard.last_reading_ts,
    months.month,
    months.month_sales_l,
    months.month_variance_l,
    coalesce(listed.open_cases, 0) as open_cases,
    coalesce(listed.urgent_cases, 0) as urgent_cases
from main.sites
cross join main.as_of
left join heard using (site_id)
left join months using (site_id)
left join listed using (site_id)
order by sites.site_id
