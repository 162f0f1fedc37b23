-- One row is a sale through some meters from an instant on, ordered by meter and time.
-- Parameters: $ids, $since.
select *
from sales
where
    meter_id in (select unnest($ids::varchar[]))
    and ts_end >= $since
order by
    meter_id,
    ts_start,
    sale_id
