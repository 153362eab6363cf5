-- Of which tests is something missing?
-- A result says how many positions were recorded; where fewer stand in the store, records did not arrive.
-- Gather the logbook of the stand: what is there already stays once.
WITH rocks AS (
    SELECT day, test, count(*) AS there, max(attempt) > 1 AS tried_again FROM positions
    WHERE kind = 'RockAccepted' AND day BETWEEN $since AND $until GROUP BY day, test
), told_apart AS (
    -- A position that was asked again has another attempt; only there a number may stand twice.
    SELECT day, test, count(DISTINCT number) AS there FROM positions
    SEMI JOIN (SELECT day, test FROM rocks WHERE tried_again) USING (day, test)
    WHERE kind = 'RockAccepted' GROUP BY day, test
)
SELECT t.day, t.stand, t.test, r.positions AS said, coalesce(a.there, c.there, 0) AS there
FROM tests t JOIN recorded r USING (day, test)
LEFT JOIN rocks c USING (day, test) LEFT JOIN told_apart a USING (day, test)
WHERE t.day BETWEEN $since AND $until AND coalesce(a.there, c.there, 0) < r.positions
ORDER BY t.day DESC, t.stand, t.test;
