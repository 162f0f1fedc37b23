-- One row is a reading, ordered by tank and time.
select *
from readings
order by
    tank_id,
    ts
