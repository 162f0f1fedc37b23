-- One row is a meter and UTC day: how many rows of meter_totals it has on it.
select
    meter_id as id,
    ts::date as day,
    count(*) as n
from meter_totals
group by all
