-- One row is a meter and a tank that it draws on or has drawn on, with the last estimate of the meter's error.
-- Reads the tables _standings, as_of, cases, meter_estimates, meter_feeds, meters, sites and tanks.
with estimates as (
    select
        meter_id,
        tank_id,
        max(day) as estimated_on,
        max_by(sold_l, day) as sold_l,
        max_by(error_pct, day) as error_pct,
        max_by(error_low_pct, day) as error_low_pct,
        max_by(error_high_pct, day) as error_high_pct
    from main.meter_estimates
    where error_pct is not null
    group by
        meter_id,
        tank_id
),

feeds as (
    select
        meter_feeds.meter_id,
        meter_feeds.tank_id,
        bool_or(
            meter_feeds.valid_from < (as_of.day + 1)::timestamp at time zone 'UTC'
            and (
                meter_feeds.valid_to is null
                or meter_feeds.valid_to >= (as_of.day + 1)::timestamp at time zone 'UTC'
            )
        ) as is_feeding
    from main.meter_feeds
    cross join main.as_of
    group by
        meter_feeds.meter_id,
        meter_feeds.tank_id
),

listed as (
    select
        meter_id,
        count(*) as open_cases
    from main.cases
    inner join main._standings using (case_id)
    where _standings.state = 'current'
    group by meter_id
)

select
    meter_id,
    tank_id,
    meters.site_id,
    sites.name as site,
    tanks.product,
    meters.dispenser,
    meters.hose,
    coalesce(feeds.is_feeding, false) as is_feeding,
    estimates.estimated_on,
    estimates.sold_l,
    estimates.error_pct,
    estimates.error_low_pct,
    estimates.error_high_pct,
    coalesce(listed.open_cases, 0) as open_cases
from feeds
full join estimates using (meter_id, tank_id)
inner join main.meters using (meter_id)
inner join main.sites using (site_id)
left join main.tanks using (tank_id)
left join listed using (meter_id)
order by
    meter_id,
    tank_id
