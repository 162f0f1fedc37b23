-- One row is a case whose site, meter or delivery the lake does not know.
-- fail
select
    cases.case_id,
    cases.site_id,
    cases.meter_id,
    cases.delivery_id
from cases
left join sites using (site_id)
left join meters using (meter_id)
left join deliveries using (delivery_id)
where
    sites.site_id is null
    or (
        cases.meter_id is not null
        and meters.meter_id is null
    )
    or (
        cases.delivery_id is not null
        and deliveries.delivery_id is null
    )
