-- One row is a tank that results speak of and the lake does not know.
-- fail
with
    named as (
        select
            'tank_days' as "table",
            tank_id
        from tank_days
        union
        select
            'statements' as "table",
            tank_id
        from statements
        union
        select
            'cases' as "table",
            tank_id
        from cases
        where tank_id is not null
    )
select
    named."table",
    named.tank_id
from named
anti join tanks using (tank_id)
