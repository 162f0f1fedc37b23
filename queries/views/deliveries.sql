-- One row is a drop with its tickets, or a ticket of which no drop was seen.
-- Of a drop with several tickets, delivery_id and who brought it are the main one's, ticket_volume_l is of all of them.
-- Reads the tables deliveries, drop_left, drop_tickets, drops, sites and tanks.
with counts as (
    select
        drop_id,
        count(*) as tickets
    from main.drop_tickets
    group by drop_id
),

seen as (
    select delivery_id
    from main.drop_tickets
    union
    select delivery_id
    from main.drops
    where delivery_id is not null
),

brought as (
    select
        drops.tank_id,
        drops.drop_id,
        drops.delivery_id,
        drops.ts_start,
        drops.ts_end,
        greatest(coalesce(counts.tickets, 0), (drops.delivery_id is not null)::bigint) as tickets,
        drops.ticket_volume_l,
        drops.gain_l,
        drops.sold_during_l,
        drops.mismatch_l,
        drops.mismatch_sd_l
    from main.drops
    left join counts using (drop_id)
    union all by name
    select
        deliveries.tank_id,
        deliveries.delivery_id,
        deliveries.ts_ticket as ts_start,
        deliveries.ts_ticket as ts_end,
        1::bigint as tickets,
        deliveries.ticket_volume_l
    from main.deliveries
    anti join seen using (delivery_id)
)

select
    brought.drop_id,
    brought.delivery_id,
    tanks.site_id,
    sites.name as site,
    brought.tank_id,
    tanks.product,
    (brought.ts_start at time zone sites.timezone)::date as dropped_on,
    brought.ts_start,
    brought.ts_end,
    brought.tickets,
    deliveries.carrier,
    deliveries.vehicle,
    deliveries.terminal,
    brought.ticket_volume_l,
    brought.gain_l,
    brought.sold_during_l,
    brought.mismatch_l,
    brought.mismatch_sd_l,
    drop_left.temperature_l,
    drop_left.chart_l,
    drop_left.meters_l,
    drop_left.left_l,
    drop_left.left_sd_l,
    drop_left.chart_sd_l
from brought
inner join main.tanks using (tank_id)
inner join main.sites using (site_id)
left join main.deliveries on brought.delivery_id = deliveries.delivery_id
left join main.drop_left on brought.drop_id = drop_left.drop_id
order by
    brought.tank_id,
    brought.ts_start
