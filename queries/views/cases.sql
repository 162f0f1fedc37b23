-- One row is a case: where it stands, and what people said of it until the run was published.
-- Reads the tables _standings (where the report has each case), as_of, cases, sayings, sites and tanks.
with said as (
    select
        case_id,
        count(*) filter (where note is not null) as notes,
        max_by(note, seq) filter (where note is not null) as last_note,
        max(sayings.at) as last_said_at
    from main.sayings
    where case_id is not null
    group by case_id
)

select
    cases.case_id,
    cases.site_id,
    sites.name as site,
    cases.tank_id,
    tanks.product,
    cases.meter_id,
    cases.delivery_id,
    cases.cause,
    cases.urgency,
    cases.probability,
    _standings.state,
    cases.raised_on,
    (as_of.day - cases.raised_on)::bigint as age_days,
    cases.ts_start,
    cases.ts_end,
    cases.litres,
    cases.litres_low,
    cases.litres_high,
    cases.rate_l_per_h,
    cases.meter_error_pct,
    _standings.stake,
    sites.currency,
    _standings.owner,
    _standings.due_on,
    _standings.is_back,
    closings.verdict,
    closings.cause as closed_cause,
    closings.who as closed_by,
    closings.at as closed_at,
    closings.litres as agreed_l,
    closings.recovered,
    coalesce(said.notes, 0) as notes,
    said.last_note,
    said.last_said_at,
    cases.summary,
    cases.action
from main.cases
inner join main._standings using (case_id)
inner join main.sites using (site_id)
cross join main.as_of
left join main.tanks on cases.tank_id = tanks.tank_id
left join main.sayings as closings on _standings.closing_seq = closings.seq
left join said on cases.case_id = said.case_id
order by cases.case_id
