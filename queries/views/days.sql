-- One row is a tank's trading day: its book, its variance, and the parts of that side by side, nought where none.
-- Reads the tables sites, tank_days, tanks and variance_parts.
with parts as (
    select
        tank_id,
        trading_day,
        coalesce(sum(litres) filter (where part = 'tank_leak'), 0) as tank_leak_l,
        coalesce(sum(litres) filter (where part = 'line_leak'), 0) as line_leak_l,
        coalesce(sum(litres) filter (where part = 'bulk_theft'), 0) as bulk_theft_l,
        coalesce(sum(litres) filter (where part = 'slow_theft'), 0) as slow_theft_l,
        coalesce(sum(litres) filter (where part = 'meter_drift'), 0) as meter_drift_l,
        coalesce(sum(litres) filter (where part = 'missing_sales'), 0) as missing_sales_l,
        coalesce(sum(litres) filter (where part = 'chart_error'), 0) as chart_error_l,
        coalesce(sum(litres) filter (where part = 'wrong_feed'), 0) as wrong_feed_l,
        coalesce(sum(litres) filter (where part = 'short_delivery'), 0) as short_delivery_l,
        coalesce(sum(litres) filter (where part = 'over_delivery'), 0) as over_delivery_l,
        coalesce(sum(litres) filter (where part = 'missing_ticket'), 0) as missing_ticket_l,
        coalesce(sum(litres) filter (where part = 'wrong_product'), 0) as wrong_product_l,
        coalesce(sum(litres) filter (where part = 'water_ingress'), 0) as water_ingress_l,
        coalesce(sum(litres) filter (where part = 'phase_separation'), 0) as phase_separation_l,
        coalesce(sum(litres) filter (where part = 'probe_fault'), 0) as probe_fault_l,
        coalesce(sum(litres) filter (where part = 'clock_skew'), 0) as clock_skew_l,
        coalesce(sum(litres) filter (where part = 'unexplained'), 0) as unexplained_l,
        coalesce(sum(litres) filter (where part = 'thermal'), 0) as thermal_l,
        coalesce(sum(litres) filter (where part = 'vapour'), 0) as vapour_l,
        coalesce(sum(litres) filter (where part = 'meter_tolerance'), 0) as meter_tolerance_l,
        coalesce(sum(litres) filter (where part = 'chart_tolerance'), 0) as chart_tolerance_l,
        coalesce(sum(litres) filter (where part = 'ticket_tolerance'), 0) as ticket_tolerance_l,
        coalesce(sum(litres) filter (where part = 'residual'), 0) as residual_l
    from main.variance_parts
    group by
        tank_id,
        trading_day
)

select
    tank_days.tank_id,
    tank_days.trading_day,
    tanks.site_id,
    sites.name as site,
    tanks.product,
    date_trunc('month', tank_days.trading_day)::date as month,
    tank_days.opening_stock_l,
    tank_days.deliveries_l,
    tank_days.sales_l,
    tank_days.book_stock_l,
    tank_days.closing_stock_l,
    tank_days.variance_l,
    tank_days.is_anomalous,
    parts.* exclude (tank_id, trading_day)
from main.tank_days
inner join main.tanks using (tank_id)
inner join main.sites using (site_id)
left join parts using (tank_id, trading_day)
order by
    tank_days.tank_id,
    tank_days.trading_day
