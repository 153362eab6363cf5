-- Of which tests is something missing?
-- A result says how many positions were recorded; where fewer stand in the store, records did not arrive.
-- Gather the logbook of the stand: what is there already stays once.
WITH counted AS (
    SELECT day, test, count(DISTINCT number) AS there FROM positions
    WHERE kind = 'RockAccepted' AND day BETWEEN $since AND $until GROUP BY day, test
)
SELECT t.day, t.stand, t.test, r.positions AS said, coalesce(c.there, 0) AS there
FROM tests t JOIN recorded r USING (day, test) LEFT JOIN counted c USING (day, test)
WHERE t.day BETWEEN $since AND $until AND coalesce(c.there, 0) < r.positions
ORDER BY t.day DESC, t.stand, t.test;
