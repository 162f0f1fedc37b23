-- One row is a site and UTC day on which the gauge's and the till's clocks disagree.
-- rule: Clocks apart
-- looks for: Sales that fit the falls of the level only when one of the two clocks is set otherwise.
-- cause: clock_skew
-- parameter: threshold = 90 [10, 7200] s
select
    tanks.site_id,
    health.day,
    'clock_skew' as cause,
    max(abs(health.clock_skew_s)) as score,
    printf('%.0f s', max_by(health.clock_skew_s, abs(health.clock_skew_s))) as note
from health
inner join tanks using (tank_id)
group by
    tanks.site_id,
    health.day
having score >= $threshold
