-- One row is a site with more than one case of clock skew, or a meter with more than one of wrong feed.
-- fail
select
    cause,
    site_id,
    meter_id,
    count(*) as cases
from cases
where cause in ('clock_skew', 'wrong_feed')
group by
    cause,
    site_id,
    meter_id
having count(*) > 1
