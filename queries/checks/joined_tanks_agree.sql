-- One row is a month of joined tanks whose statements differ in what is the pool's: leak rate, detectable and verdict.
-- fail
select
    tanks.manifold_id,
    statements.month,
    count(distinct coalesce(statements.leak_rate_l_per_h, 'nan'::double)) as leak_rates,
    count(distinct coalesce(statements.detectable_l_per_h, 'nan'::double)) as detectables,
    count(distinct statements.verdict) as verdicts
from statements
inner join tanks using (tank_id)
where tanks.manifold_id is not null
group by
    tanks.site_id,
    tanks.manifold_id,
    statements.month
having
    count(distinct coalesce(statements.leak_rate_l_per_h, 'nan'::double)) > 1
    or count(distinct coalesce(statements.detectable_l_per_h, 'nan'::double)) > 1
    or count(distinct statements.verdict) > 1
