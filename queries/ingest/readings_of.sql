-- One row is a reading of some tanks from an instant on, ordered by tank and time.
-- Parameters: $ids, $since.
select *
from readings
where
    tank_id in (select unnest($ids::varchar[]))
    and ts >= $since
order by
    tank_id,
    ts
