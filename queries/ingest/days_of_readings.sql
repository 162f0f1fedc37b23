-- One row is a tank and UTC day: how many rows of readings it has on it.
select
    tank_id,
    ts::date as day,
    count(*) as n
from readings
group by all
