-- How well do stands and operators repeat?
-- The same box tested again on the same stand by the same operator within 30 days, with nothing done to it:
-- $check names check standards, whose tests all count. Pooled standard deviation with its degrees of freedom.
WITH same AS (
    SELECT t.stand, t.operator, t.serial, count(*) AS n, var_samp(r.normal_backlash_mm) AS variance
    FROM tests t JOIN recorded r USING (day, test)
    WHERE starts_with(t.serial, $check) AND r.normal_backlash_mm IS NOT NULL
      AND t.day BETWEEN $since AND $until
    GROUP BY t.stand, t.operator, t.serial, date_trunc('month', t.started) HAVING count(*) >= 2
)
SELECT stand, operator, sum(n) AS tests, sum(n - 1) AS degrees_of_freedom,
       1000 * sqrt(sum((n - 1) * variance) / sum(n - 1)) AS repeatability_um
FROM same GROUP BY stand, operator ORDER BY repeatability_um DESC, stand, operator;
