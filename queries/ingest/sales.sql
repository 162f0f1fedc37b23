-- One row is a sale, ordered by meter and time.
select *
from sales
order by
    meter_id,
    ts_start,
    sale_id
