-- One row is a site that has tanks: how many readings it has from an instant on.
-- Parameters: $since.
select
    tanks.site_id,
    coalesce(sum(counted.n), 0)::bigint as readings
from tanks
left join (
    select
        tank_id,
        count(*) as n
    from readings
    where ts >= $since
    group by tank_id
) as counted using (tank_id)
group by tanks.site_id
