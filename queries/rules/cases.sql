-- One row is a case, on the day on which it was raised.
-- rule: The built-in cases
-- looks for: Every cause, by the balance and what was observed, as the nightly run raises it.
-- cause: any
-- parameter: threshold = 0.5 [0, 1] the probability
select
    tank_id,
    site_id,
    day,
    cause,
    meter_id,
    delivery_id,
    probability as score,
    case_id as note
from cases
where probability >= $threshold
