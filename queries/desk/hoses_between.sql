-- One row is a meter and a tank that it draws on: what it sold from that tank between two instants of the tank's own, on
-- the till's clock, and in how many sales. A sale under way at either instant is shared out by time; one that the lake
-- has twice counts once, and test returns are no sales. A meter that fed a tank in that time and sold nothing has nought.
-- Reads the frames tank_spans (tank_id, start_at, end_at) and meter_feeds. Parameters: $files.
with told as (
    select
        sale_id,
        meter_id,
        ts_start,
        ts_end,
        volume_l
    from (
        select
            null::varchar as sale_id,
            null::varchar as meter_id,
            null::timestamptz as ts_start,
            null::timestamptz as ts_end,
            null::double as volume_l,
            null::varchar as kind
        where false
        union all by name
        select *
        from read_parquet($files, union_by_name = true, hive_partitioning = false)
    )
    where
        kind = 'sale'
        and isfinite(volume_l)
        and volume_l > 0
        and ts_end >= ts_start
    qualify row_number() over (partition by sale_id order by ts_end) = 1
),

fed as (
    select
        meter_feeds.meter_id,
        meter_feeds.tank_id,
        meter_feeds.share,
        meter_feeds.valid_from,
        meter_feeds.valid_to,
        tank_spans.start_at,
        tank_spans.end_at
    from meter_feeds
    inner join tank_spans using (tank_id)
    where
        meter_feeds.valid_from < tank_spans.end_at
        and (meter_feeds.valid_to is null or meter_feeds.valid_to > tank_spans.start_at)
),

parts as (
    select
        fed.meter_id,
        fed.tank_id,
        told.sale_id,
        told.volume_l * fed.share * case
            when told.ts_end > told.ts_start then
                epoch_us(least(told.ts_end, fed.end_at)) - epoch_us(greatest(told.ts_start, fed.start_at))
            else 1
        end / case
            when told.ts_end > told.ts_start then epoch_us(told.ts_end) - epoch_us(told.ts_start)
            else 1
        end as litres
    from fed
    left join told
        on
            fed.meter_id = told.meter_id
            and told.ts_end >= fed.valid_from
            and (fed.valid_to is null or told.ts_end < fed.valid_to)
            and told.ts_start < fed.end_at
            and (told.ts_end > fed.start_at or told.ts_start = fed.start_at)
)

select
    meter_id,
    tank_id,
    count(sale_id) as sales,
    coalesce(sum(litres), 0) as sold_l
from parts
group by
    meter_id,
    tank_id
order by
    tank_id,
    meter_id
