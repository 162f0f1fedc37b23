-- One row is a tank's trading day with a feature far from the tank's own past.
-- rule: Any feature far from its past
-- looks for: A day on which any one feature is far from what the tank has shown so far.
-- cause: any
-- parameter: threshold = 6 [1, 50] standard deviations of the tank's own past
select
    tank_id,
    day,
    'unexplained' as cause,
    max(abs(z)) as score,
    printf('%s %.3g', max_by(name, abs(z)), max_by(value, abs(z))) as note
from features
group by
    tank_id,
    day
having score >= $threshold
