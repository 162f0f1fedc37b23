-- One row is a totaliser's reading of some meters, each on a UTC day of its own.
-- Parameters: $ids, $days.
select *
from meter_totals
where (meter_id, ts::date) in (select (unnest($ids::varchar[]), unnest($days::date[])))
