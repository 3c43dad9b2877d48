CREATE VIEW rows AS SELECT * FROM read_parquet('FOLDER/rows/**/*.parquet', union_by_name = true, filename = true);
CREATE VIEW events AS SELECT * FROM read_parquet('FOLDER/events/**/*.parquet', union_by_name = true);
-- energy out per machine and week, kWh: the running total of each session, its highest value
SELECT machine, date_trunc('week', day) AS week, sum(wh) / 1000 AS kwh
FROM (SELECT machine, filename, min(time) AS day, max(energy_out) AS wh FROM rows GROUP BY ALL)
GROUP BY ALL ORDER BY ALL;
-- resistance of the pack by month, milliohm
SELECT machine, month, round(1000 * median(pack_resistance), 1) AS mohm FROM rows
WHERE pack_resistance IS NOT NULL GROUP BY ALL ORDER BY ALL;
-- how often each cell was the lowest
SELECT machine, cell_min_number AS cell, count(*) AS times FROM rows
WHERE cell_min_number IS NOT NULL GROUP BY ALL ORDER BY machine, times DESC;
-- alarms an hour of recording
SELECT machine, coalesce(alarms, 0) / hours AS alarms_an_hour
FROM (SELECT machine, sum(h) AS hours FROM
  (SELECT machine, filename, epoch(max(time) - min(time)) / 3600 AS h FROM rows GROUP BY ALL) GROUP BY ALL)
LEFT JOIN (SELECT machine, count(*) AS alarms FROM events WHERE kind = 'alarm' GROUP BY ALL) USING (machine)
ORDER BY machine;
-- what the charges cost, at 0.30 a kWh and 88 % from the wall into the pack
SELECT machine, month, sum(wh) / 1000 / 0.88 * 0.30 AS cost
FROM (SELECT machine, month, filename, max(energy_in) AS wh FROM rows GROUP BY ALL)
GROUP BY ALL ORDER BY ALL;
