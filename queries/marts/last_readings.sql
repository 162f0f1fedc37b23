-- One row is a tank: its last reading that is not bad and lies within the tank, each value as last told until then.
select
    readings.tank_id,
    max(readings.ts) as ts,
    max_by(readings.level_mm, readings.ts) as level_mm,
    max_by(readings.water_mm, readings.ts) filter (where readings.water_mm is not null) as water_mm,
    max_by(readings.temp_c, readings.ts) filter (where readings.temp_c is not null) as temp_c
from readings
inner join tanks using (tank_id)
where
    readings.quality != 'bad'
    and readings.level_mm > 0
    and readings.level_mm
    <= case when tanks.shape = 'vertical_cylinder' then tanks.length_mm else tanks.diameter_mm end
group by readings.tank_id
order by readings.tank_id
