-- One row: the last UTC day of which there is a reading or a sale; null where there is no reading.
select
    case
        when max(readings.ts) is not null
            then greatest(max(readings.ts), (select max(sales.ts_end) from sales))::date
    end as day
from readings
