-- One row is a reading of some tanks, each on a UTC day of its own.
-- Parameters: $ids, $days.
select *
from readings
where (tank_id, ts::date) in (select (unnest($ids::varchar[]), unnest($days::date[])))
