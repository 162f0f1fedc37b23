-- One row is a tank that has readings: when its last one was.
select
    tank_id,
    max(ts) as ts
from readings
group by tank_id
order by tank_id
