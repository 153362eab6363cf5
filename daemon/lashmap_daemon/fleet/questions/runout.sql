-- How large is the runout, by type, range of serial numbers and month?
-- From the lash map, where a member's part stands by itself. A range is the serial number without its last
-- digits, so that a supplier's lot stands together.
SELECT t.box, regexp_replace(t.serial, '[0-9]{1,4}$', '') AS serials, date_trunc('month', t.day) AS month,
       o.member, count(*) AS tests, 1000 * median(o.amplitude_mm) AS median_um,
       1000 * quantile_cont(o.amplitude_mm, 0.9) AS ninety_percent_um, 1000 * max(o.amplitude_mm) AS most_um
FROM tests t JOIN recorded r USING (day, test) JOIN runouts o USING (day, test, id)
WHERE o.how = 'map' AND o.separable AND NOT starts_with(t.serial, $check)
  AND t.day BETWEEN $since AND $until
GROUP BY ALL ORDER BY ninety_percent_um DESC, t.box, serials, month, o.member;
