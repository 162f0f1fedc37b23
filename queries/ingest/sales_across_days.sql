-- One row is a sale's key that stands on more than one day, so that days cannot be taken in on their own.
select sale_id
from sales
group by sale_id
having count(*) > 1
