-- One row is a case that was raised after the last day of data, or before the day it starts on.
-- fail
select
    cases.case_id,
    cases.ts_start,
    cases.raised_on,
    data.last_day
from cases
cross join (
    select
        greatest(
            (select max(ts) from readings),
            (select max(ts_end) from sales),
            (select max(ts_ticket) from deliveries)
        )::date as last_day
) as data
where
    cases.raised_on > data.last_day
    or cases.ts_start::date > cases.raised_on
