-- One row is a tank's trading day whose density is far from the tank's own.
-- rule: Density off
-- looks for: A density that is far from what the tank has held so far.
-- cause: wrong_product, phase_separation
-- parameter: threshold = 5 [1, 50] standard deviations of the tank's own past
select
    tank_id,
    day,
    'wrong_product' as cause,
    max(abs(z)) as score,
    printf('%s %.1f', max_by(name, abs(z)), max_by(value, abs(z))) as note
from features
where starts_with(name, 'density')
group by
    tank_id,
    day
having score >= $threshold
