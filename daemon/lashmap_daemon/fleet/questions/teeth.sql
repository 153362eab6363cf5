-- Where does the tight spot lie, in teeth from the matched teeth?
-- Boxes of one type whose tight spot always lies at the same teeth have the marks, or a part, in common.
WITH placed AS (
    SELECT t.box, r.gear_tooth, r.pinion_tooth, t.gear_teeth
    FROM tests t JOIN recorded r USING (day, test)
    WHERE r.gear_tooth IS NOT NULL AND NOT starts_with(t.serial, $check) AND t.day BETWEEN $since AND $until
), each AS (
    SELECT box, gear_tooth, count(*) AS tests, max(gear_teeth) AS gear_teeth FROM placed GROUP BY ALL
), whole AS (
    SELECT box, sum(tests) AS of_type FROM each GROUP BY box
)
SELECT e.box, e.gear_tooth, e.tests, w.of_type, e.tests / w.of_type AS share,
       1.0 / e.gear_teeth AS share_by_chance
FROM each e JOIN whole w USING (box) ORDER BY share DESC, e.box, e.gear_tooth;
