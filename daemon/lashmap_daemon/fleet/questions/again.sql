-- What came of boxes that were tested again?
-- Each test beside the one before of the same serial number: what the backlash did, and the verdict.
WITH ordered AS (
    SELECT t.box, t.serial, t.test, t.stand, t.started, t.day, r.outcome, r.normal_backlash_mm AS lash_mm,
           lag(t.test) OVER one AS before, lag(r.outcome) OVER one AS outcome_before,
           lag(r.normal_backlash_mm) OVER one AS lash_before_mm, lag(t.stand) OVER one AS stand_before
    FROM tests t JOIN recorded r USING (day, test)
    WHERE NOT starts_with(t.serial, $check)
    WINDOW one AS (PARTITION BY t.box, t.serial ORDER BY t.started)
)
SELECT box, serial, before, test, stand_before, stand, outcome_before, outcome,
       1000 * (lash_mm - lash_before_mm) AS change_um
FROM ordered WHERE before IS NOT NULL AND day BETWEEN $since AND $until ORDER BY started DESC, serial;
