-- One row is a drop for which no ticket came.
-- rule: Drop without a ticket
-- looks for: Product that arrived in litres worth a compartment, and no ticket by the end of the UTC day after.
-- cause: missing_ticket
-- parameter: threshold = 800 [100, 20000] l that arrived
select
    tank_id,
    day,
    'missing_ticket' as cause,
    gain_l as score,
    printf('%.0f l arrived', gain_l) as note
from drops
where
    delivery_id is null
    and gain_l >= $threshold
