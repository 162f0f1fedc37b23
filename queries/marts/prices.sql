-- One row is a tank: the price of its latest sale that drew on it alone, in its site's currency.
select
    tanks.tank_id,
    tanks.product,
    max_by(sales.unit_price, sales.ts_end) as price,
    any_value(sites.currency) as currency
from tanks
inner join sites using (site_id)
inner join meter_feeds
    on
        tanks.tank_id = meter_feeds.tank_id
        and meter_feeds.share = 1
inner join sales
    on
        meter_feeds.meter_id = sales.meter_id
        and sales.ts_end >= meter_feeds.valid_from
        and (meter_feeds.valid_to is null or sales.ts_end < meter_feeds.valid_to)
where
    sales.unit_price is not null
    and sales.kind = 'sale'
group by
    tanks.tank_id,
    tanks.product
order by tanks.tank_id
