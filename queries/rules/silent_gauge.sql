-- One row is a tank and UTC day on which its gauge was silent for long, or much of what it said was bad.
-- rule: Gauge silent or bad
-- looks for: Hours without a reading, or a large share of readings of bad quality.
-- cause: probe_fault
-- parameter: threshold = 6 [0.25, 24] hours without a reading
-- parameter: bad_pct = 30 [1, 100] % of readings of bad quality
select
    tank_id,
    day,
    'probe_fault' as cause,
    greatest(coalesce(gap_hours, 0) / $threshold, coalesce(100 * bad_share, 0) / $bad_pct) as score,
    printf('%.1f h silent, %.0f %% bad', gap_hours, 100 * bad_share) as note
from health
where
    gap_hours >= $threshold
    or 100 * bad_share >= $bad_pct
