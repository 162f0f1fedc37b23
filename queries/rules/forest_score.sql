-- One row is a tank's trading day that is odd to the isolation forest.
-- rule: The built-in forest score
-- looks for: A day whose features stand apart from those of the fleet's past.
-- cause: any
-- parameter: threshold = 0.42 [0.2, 1] the score; an ordinary day has about 0.3
select
    tank_id,
    day,
    'unexplained' as cause,
    forest_score as score,
    printf('%.0f l', variance_l) as note
from tank_days
where forest_score >= $threshold
