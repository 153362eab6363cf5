-- Which stands measure otherwise than the others?
-- The mean of the tight spot over first tests of boxes of a type, against all other stands' (Welch's t). That boxes
-- come to the stands by chance is taken for granted: a stand that is given the bad ones stands out too.
WITH each AS (
    SELECT t.box, t.stand, r.normal_backlash_mm AS lash_mm
    FROM tests t JOIN recorded r USING (day, test)
    WHERE r.normal_backlash_mm IS NOT NULL AND NOT starts_with(t.serial, $check)
      AND t.day BETWEEN $since AND $until
    QUALIFY row_number() OVER (PARTITION BY t.box, t.serial ORDER BY t.started) = 1
), own AS (
    SELECT box, stand, count(*) AS n, sum(lash_mm) AS total, sum(lash_mm * lash_mm) AS squares
    FROM each GROUP BY box, stand
), beside AS (
    SELECT box, stand, n, total / n AS mean, (squares - total * total / n) / (n - 1) AS variance,
           sum(n) OVER type - n AS others,
           (sum(total) OVER type - total) / (sum(n) OVER type - n) AS mean_others,
           (sum(squares) OVER type - squares
             - power(sum(total) OVER type - total, 2) / (sum(n) OVER type - n))
             / (sum(n) OVER type - n - 1) AS variance_others
    FROM own WINDOW type AS (PARTITION BY box)
    QUALIFY n >= 5 AND sum(n) OVER type - n >= 20
), judged AS (
    SELECT *, greatest(variance, 0) / n AS own_part, greatest(variance_others, 0) / others AS their_part FROM beside
)
SELECT box, stand, n, mean AS mean_mm, others, mean_others AS mean_of_others_mm,
       1000 * (mean - mean_others) AS difference_um,
       (mean - mean_others) / nullif(sqrt(own_part + their_part), 0) AS t,
       power(own_part + their_part, 2)
         / nullif(power(own_part, 2) / (n - 1) + power(their_part, 2) / (others - 1), 0) AS degrees_of_freedom
FROM judged ORDER BY abs(t) DESC NULLS LAST, box, stand;
