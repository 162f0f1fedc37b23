-- One row is a tank and UTC day on which its gauge stood still while product moved.
-- rule: Gauge standing still
-- looks for: A level that does not move while its meters sell.
-- cause: probe_fault
-- parameter: threshold = 1 [1, 10] days in a row
with
    spells as (
        select
            tank_id,
            day,
            count(*) over (
                partition by tank_id
                order by day
                range between interval ($threshold - 1) day preceding and current row
            ) as days
        from health
        where is_stuck
    )
select
    tank_id,
    day,
    'probe_fault' as cause,
    days as score,
    'stood still' as note
from spells
where days >= $threshold
