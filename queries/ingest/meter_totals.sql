-- One row is a totaliser's reading, ordered by meter and time.
select *
from meter_totals
order by
    meter_id,
    ts
