-- One row is a sale of some meters, each on a UTC day of its own.
-- Parameters: $ids, $days.
select *
from sales
where (meter_id, ts_end::date) in (select (unnest($ids::varchar[]), unnest($days::date[])))
