-- One row is a tank's trading day that is odd to the balance.
-- rule: The built-in physics score
-- looks for: A day whose balance is far from what its own noise allows.
-- cause: any
-- parameter: threshold = 4 [0.5, 100] the score
select
    tank_id,
    day,
    'unexplained' as cause,
    physics_score as score,
    printf('%.0f l', variance_l) as note
from tank_days
where physics_score >= $threshold
