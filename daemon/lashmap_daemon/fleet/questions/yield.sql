-- What share of boxes conforms at the first test?
-- The first completed test of each serial number, by the result as recorded; by type and month.
WITH firsts AS (
    SELECT t.box, t.serial, arg_min(r.outcome, t.started) AS outcome, min(t.day) AS day
    FROM tests t JOIN recorded r USING (day, test)
    WHERE r.closing = 'completed' AND NOT starts_with(t.serial, $check)
    GROUP BY t.box, t.serial
)
SELECT box, date_trunc('month', day) AS month, count(*) AS boxes,
       count(*) FILTER (outcome = 'conforming') AS conforming,
       count(*) FILTER (outcome = 'nonconforming') AS nonconforming,
       count(*) FILTER (outcome = 'not proven') AS not_proven,
       count(*) FILTER (outcome = 'conforming') / count(*) AS first_pass_yield
FROM firsts WHERE day BETWEEN $since AND $until GROUP BY ALL ORDER BY box, month;
