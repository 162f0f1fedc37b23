-- One row is a totaliser's reading of some meters from an instant on, ordered by meter and time.
-- Parameters: $ids, $since.
select *
from meter_totals
where
    meter_id in (select unnest($ids::varchar[]))
    and ts >= $since
order by
    meter_id,
    ts
