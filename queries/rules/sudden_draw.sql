-- One row is a sudden unmetered draw.
-- rule: Sudden unmetered draw
-- looks for: Product that leaves within minutes to hours and that no meter counted.
-- cause: bulk_theft, slow_theft
-- parameter: threshold = 80 [5, 5000] l
-- parameter: min_z = 5.5 [3, 30] times what the stock moves by itself
select
    tank_id,
    day,
    'bulk_theft' as cause,
    -litres as score,
    printf('%.0f l from %s', -litres, strftime(ts_start, '%d %b %H:%M UTC')) as note
from draws
where
    -litres >= $threshold
    and -litres >= $min_z * sd_l
