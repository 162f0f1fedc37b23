-- One row is a refused row that is not JSON, is of no table of the lake, or gives no reason.
-- fail
select
    "table",
    "row",
    reason
from quarantine
where
    not json_valid("row")
    or trim(reason) = ''
    or "table" not in (
        'sites', 'tanks', 'strapping', 'meters', 'meter_feeds', 'readings', 'sales', 'meter_totals', 'deliveries',
        'events'
    )
