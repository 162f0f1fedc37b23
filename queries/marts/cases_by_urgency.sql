-- One row is an urgency: how many cases have it.
select
    urgency,
    count(*)::bigint as cases
from cases
group by urgency
order by list_position(['act_now', 'today', 'this_week', 'watch'], urgency)
