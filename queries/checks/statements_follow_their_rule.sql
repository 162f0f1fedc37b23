-- One row is a statement whose verdict is not the one that its figures give.
-- Parameters: $limit_l_per_h, above which a detectable leak says nothing; $fail_l_per_h, above which a leak has failed.
-- fail
with
    ruled as (
        select
            *,
            case
                when leak_rate_l_per_h is null or detectable_l_per_h is null or detectable_l_per_h > $limit_l_per_h
                    then 'inconclusive'
                when leak_rate_l_per_h > $fail_l_per_h then 'fail'
                else 'pass'
            end as ruled_verdict
        from statements
    )
select
    tank_id,
    month,
    leak_rate_l_per_h,
    detectable_l_per_h,
    verdict,
    ruled_verdict
from ruled
where verdict <> ruled_verdict
