-- One row is a tank's trading day on which its totalisers counted more than was booked.
-- rule: Totaliser ahead of the till
-- looks for: Litres that a totaliser counted and nobody booked as a sale.
-- cause: missing_sales
-- parameter: threshold = 20 [1, 5000] l a day
select
    tank_id,
    day,
    'missing_sales' as cause,
    value as score,
    printf('%.0f l not booked', value) as note
from features
where
    name = 'totaliser_excess_l'
    and value >= $threshold
