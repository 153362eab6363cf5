-- Which stands drift against their check standards?
-- A check standard is a box that does not change, measured on the same stand again and again. Its serial
-- number begins with $check. Slope by least squares; `t` is slope over its standard error.
WITH measured AS (
    SELECT t.stand, t.serial, t.started, r.normal_backlash_mm AS lash_mm,
           epoch(t.started - min(t.started) OVER one) / 86400.0 AS days
    FROM tests t JOIN recorded r USING (day, test)
    WHERE starts_with(t.serial, $check) AND r.normal_backlash_mm IS NOT NULL
      AND t.day BETWEEN $since AND $until
    WINDOW one AS (PARTITION BY t.stand, t.serial)
), fitted AS (
    SELECT stand, serial, count(*) AS n, avg(lash_mm) AS mean_mm, min(started) AS first, max(started) AS last,
           regr_slope(lash_mm, days) AS slope, regr_sxx(lash_mm, days) AS sxx,
           regr_syy(lash_mm, days) AS syy, regr_sxy(lash_mm, days) AS sxy
    FROM measured GROUP BY stand, serial HAVING count(*) >= 5
), judged AS (
    SELECT *, n - 2 AS degrees_of_freedom,
           sqrt(greatest(syy - sxy * sxy / nullif(sxx, 0), 0) / (n - 2)) AS about_mm
    FROM fitted
)
SELECT stand, serial, n, mean_mm, first, last, 30 * 1000 * slope AS drift_um_a_month,
       1000 * about_mm AS scatter_about_it_um,
       slope / nullif(about_mm / sqrt(sxx), 0) AS t, degrees_of_freedom
FROM judged ORDER BY abs(t) DESC NULLS LAST, stand;
