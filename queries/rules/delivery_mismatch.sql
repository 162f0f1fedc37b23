-- One row is a drop that does not fit its ticket.
-- rule: Delivery off its ticket
-- looks for: A drop that raised the stock by other than its ticket, beyond what gauge, chart and ticket are good to.
-- cause: short_delivery, over_delivery
-- parameter: threshold = 3 [0.5, 30] standard deviations
-- parameter: min_l = 60 [0, 2000] l below which it is let pass
select
    tank_id,
    day,
    case when mismatch_l < 0 then 'short_delivery' else 'over_delivery' end as cause,
    delivery_id,
    abs(mismatch_l) / mismatch_sd_l as score,
    printf('%.0f l against a ticket of %.0f l', mismatch_l, ticket_volume_l) as note
from drops
where
    delivery_id is not null
    and mismatch_sd_l > 0
    and abs(mismatch_l) >= $min_l
    and abs(mismatch_l) >= $threshold * mismatch_sd_l
