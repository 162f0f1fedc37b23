-- One row is a tank and night after which the stock falls while nothing is sold, by a t-test over the last nights.
-- rule: Falling stock in quiet nights
-- looks for: A stock that falls while no hose is open and nothing is dropped: Student's t over the last nights' rates.
-- cause: tank_leak
-- parameter: threshold = 3.5 [0.5, 20] the t value
-- parameter: nights = 14 [3, 90] nights that are tested together
-- parameter: min_hours = 2 [0.25, 12] quiet hours that a night must have
with
    nights as (
        select
            tank_id,
            day,
            sum(date_diff('second', ts_start, ts_end)) / 3600.0 as hours,
            -sum(residual_l) / (sum(date_diff('second', ts_start, ts_end)) / 3600.0) as rate_l_per_h
        from ledger
        where
            is_quiet
            and residual_l is not null
        group by
            tank_id,
            day
        having hours >= $min_hours
    ),

    tested as (
        select
            tank_id,
            day,
            count(*) over last_nights as nights,
            avg(rate_l_per_h) over last_nights as rate_l_per_h,
            stddev_samp(rate_l_per_h) over last_nights as sd_l_per_h
        from nights
        window last_nights as (
            partition by tank_id
            order by day
            rows between cast($nights as bigint) - 1 preceding and current row
        )
    )
select
    tank_id,
    day,
    'tank_leak' as cause,
    rate_l_per_h * sqrt(nights) / sd_l_per_h as score,
    printf('%.3f l/h over %d nights', rate_l_per_h, nights) as note
from tested
where
    nights >= $nights
    and sd_l_per_h > 0
    and rate_l_per_h * sqrt(nights) >= $threshold * sd_l_per_h
