-- One row is a meter and UTC day: how many rows of sales it has on it.
select
    meter_id as id,
    ts_end::date as day,
    count(*) as n
from sales
group by all
