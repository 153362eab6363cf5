-- How tight are the boxes, by type and month?
-- Mean and spread of the tight spot's backlash, and how often its whole 95 % interval is as wide as its mean.
SELECT t.box, date_trunc('month', t.day) AS month, count(*) AS tests,
       avg(r.normal_backlash_mm) AS mean_mm, 1000 * stddev_samp(r.normal_backlash_mm) AS spread_um,
       min(r.normal_backlash_mm) AS least_mm, max(r.normal_backlash_mm) AS most_mm,
       1000 * median(r.high_mm - r.low_mm) AS median_interval_um,
       avg((r.outcome = 'conforming')::INT) AS conforming,
       avg((r.outcome = 'not proven')::INT) AS not_proven
FROM tests t JOIN recorded r USING (day, test)
WHERE NOT starts_with(t.serial, $check) AND t.day BETWEEN $since AND $until
GROUP BY ALL ORDER BY t.box, month;
