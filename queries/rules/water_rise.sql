-- One row is a tank's trading day on which water stands higher than it lately did.
-- rule: Water rising
-- looks for: Water that stands higher than its lowest of the last days; under an ethanol blend, one heading for a split.
-- cause: water_ingress, phase_separation
-- parameter: threshold = 6 [1, 200] mm
-- parameter: days = 7 [1, 60] trading days looked back
with
    risen as (
        select
            tank_id,
            day,
            water_mm,
            water_mm - min(water_mm) over (
                partition by tank_id
                order by trading_day
                rows between cast($days as bigint) preceding and 1 preceding
            ) as rise_mm
        from tank_days
        where water_mm is not null
    )
select
    risen.tank_id,
    risen.day,
    case when tanks.product in ('gasoline_e5', 'gasoline_e10', 'gasoline_e85') then 'phase_separation'
    else 'water_ingress' end as cause,
    risen.rise_mm as score,
    printf('%.1f mm, up %.1f mm', risen.water_mm, risen.rise_mm) as note
from risen
inner join tanks using (tank_id)
where risen.rise_mm >= $threshold
