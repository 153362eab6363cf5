-- What does the newest analysis say otherwise than the result that was recorded?
-- Of tests that were judged anew (lashmap fleet judge). Verdicts that would turn stand first, then the largest
-- difference. `apart` is the difference over half the width of the recorded 95 % interval.
WITH anew AS (
    SELECT * FROM results WHERE how = 'judged anew'
    QUALIFY row_number() OVER (PARTITION BY day, test ORDER BY utc DESC, analysis_version DESC) = 1
)
SELECT r.test, r.stand, r.outcome AS recorded, a.outcome AS anew,
       r.analysis_version AS recorded_by, a.analysis_version AS anew_by,
       1000 * (a.normal_backlash_mm - r.normal_backlash_mm) AS difference_um,
       abs(a.normal_backlash_mm - r.normal_backlash_mm) / nullif((r.high_mm - r.low_mm) / 2, 0) AS apart,
       1000 * (r.high_mm - r.low_mm) AS recorded_interval_um, 1000 * (a.high_mm - a.low_mm) AS interval_um,
       list_filter(a.reasons, lambda one: NOT list_contains(r.reasons, one)) AS new_reasons
FROM recorded r JOIN anew a USING (day, test)
WHERE r.day BETWEEN $since AND $until
  AND (r.outcome <> a.outcome OR abs(a.normal_backlash_mm - r.normal_backlash_mm) > 1e-9
       OR (a.normal_backlash_mm IS NULL) <> (r.normal_backlash_mm IS NULL))
ORDER BY (r.outcome = a.outcome), apart DESC NULLS LAST, r.test;
