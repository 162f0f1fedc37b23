-- One row is a part of a tank's variance in a month of trading days.
-- Reads the tables sites, tanks and variance_parts.
select
    variance_parts.tank_id,
    date_trunc('month', variance_parts.trading_day)::date as month,
    variance_parts.part,
    variance_parts.part not in (
        'unexplained', 'thermal', 'vapour', 'meter_tolerance', 'chart_tolerance', 'ticket_tolerance', 'residual'
    ) as is_named,
    any_value(tanks.site_id) as site_id,
    any_value(sites.name) as site,
    any_value(tanks.product) as product,
    sum(least(variance_parts.litres, 0)) as lost_l,
    sum(greatest(variance_parts.litres, 0)) as gained_l
from main.variance_parts
inner join main.tanks using (tank_id)
inner join main.sites using (site_id)
group by
    variance_parts.tank_id,
    date_trunc('month', variance_parts.trading_day),
    variance_parts.part
order by
    variance_parts.tank_id,
    month,
    variance_parts.part
