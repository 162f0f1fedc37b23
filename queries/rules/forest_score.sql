-- One row is a tank's trading day that is odd to the isolation forest.
-- rule: The built-in forest score
-- looks for: A day whose features stand apart from those of the fleet's past.
-- cause: any
-- parameter: threshold = 0.65 [0.3, 1] the score
select
    tank_id,
    day,
    'unexplained' as cause,
    forest_score as score,
    printf('%.0f l', variance_l) as note
from tank_days
where forest_score >= $threshold
