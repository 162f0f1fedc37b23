-- One row is a point to draw of a tank's readings between two instants: of each quantity, and of each column of the
-- screen, its lowest and its highest reading; with how many readings there are and how many of them the gauge calls bad.
-- One row without a point where there is none to draw.
-- Parameters: $files, $tank, $start, $end, $width.
with told as (
    select
        ts,
        level_mm,
        water_mm,
        temp_c,
        coalesce(quality = 'bad', false) as is_bad
    from (
        select
            null::varchar as tank_id,
            null::timestamptz as ts,
            null::double as level_mm,
            null::double as water_mm,
            null::double as temp_c,
            null::varchar as quality
        where false
        union all by name
        select *
        from read_parquet($files, union_by_name = true, hive_partitioning = false)
    )
    where
        tank_id = $tank
        and ts >= $start
        and ts <= $end
),

counted as (
    select
        count(*) as readings,
        count(*) filter (where is_bad) as bad
    from told
),

quantities as (
    unpivot (
        select
            ts,
            level_mm,
            water_mm,
            temp_c
        from told
        where not is_bad
    )
    on level_mm, water_mm, temp_c
    into name quantity value reading
),

placed as (
    select
        quantity,
        ts,
        reading,
        least(
            floor((epoch_us(ts) - epoch_us($start)) * $width::double / (epoch_us($end) - epoch_us($start))), $width - 1
        ) as pixel
    from quantities
    where isfinite(reading)
),

ends as (
    select
        quantity,
        pixel,
        unnest([arg_min(ts, reading), arg_max(ts, reading)]) as ts,
        unnest([min(reading), max(reading)]) as reading
    from placed
    group by
        quantity,
        pixel
),

points as (
    select distinct
        quantity,
        ts,
        reading
    from ends
)

select
    points.quantity,
    points.ts,
    points.reading,
    counted.readings,
    counted.bad
from counted
left join points on true
order by
    points.quantity,
    points.ts
