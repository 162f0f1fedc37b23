-- One row is a tank's trading day on which its density changed.
-- rule: Density changed
-- looks for: A density at 15 °C that is off from what it lately was, as after a drop of another product.
-- cause: wrong_product, phase_separation
-- parameter: threshold = 3 [0.5, 100] kg/m³
select
    tank_id,
    day,
    'wrong_product' as cause,
    abs(value) as score,
    printf('%.1f kg/m³', value) as note
from features
where
    name = 'density_change_kg_m3'
    and abs(value) >= $threshold
