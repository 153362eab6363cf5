-- The history of a hall in PostgreSQL (12 or newer): what the stands publish, as it came, and views that read it.
-- Whoever collects (telegraf.conf) writes rows of lashmap_message; nothing else is written by anybody. What is no message of
-- lashmap, claims to be another stand's, or came twice, is in the table and in no view. Lengths are in mm, angles in degrees.
--     psql --dbname lashmap --set ON_ERROR_STOP=1 --file history.sql      (again after an update: it changes views only)

CREATE TABLE IF NOT EXISTS lashmap_message (
    time timestamptz NOT NULL,   -- when the collector had it
    topic text NOT NULL,
    value text NOT NULL          -- the message, to the byte
);
CREATE INDEX IF NOT EXISTS lashmap_message_time ON lashmap_message (time);

-- Text of others: what cannot be read is NULL, and never ends a query.
CREATE OR REPLACE FUNCTION lashmap_json(value text) RETURNS jsonb LANGUAGE plpgsql IMMUTABLE AS $$
BEGIN
    RETURN value::jsonb;
EXCEPTION WHEN OTHERS THEN
    RETURN NULL;
END $$;

CREATE OR REPLACE FUNCTION lashmap_time(value text) RETURNS timestamptz LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN value::timestamptz;
EXCEPTION WHEN OTHERS THEN
    RETURN NULL;
END $$;

CREATE OR REPLACE FUNCTION lashmap_number(value jsonb) RETURNS double precision LANGUAGE sql IMMUTABLE AS $$
    SELECT CASE WHEN jsonb_typeof(value) = 'number' THEN (value #>> '{}')::double precision END
$$;

-- Every message once: the same id has the same content (docs/bus.md), so any copy will do.
CREATE OR REPLACE VIEW lashmap_record AS
SELECT DISTINCT ON (kind, stand, id) kind, stand, id, time, message
FROM (
    SELECT split.part[2] AS kind, split.part[1] AS stand, message ->> 'id' AS id, time, message
    FROM (SELECT time, topic, lashmap_json(value) AS message FROM lashmap_message) AS read
    CROSS JOIN LATERAL regexp_match(topic, '([^/]+)/(result|position|alarm|review)$') AS split (part)
    WHERE jsonb_typeof(message) = 'object' AND message ->> 'schema' = '1' AND message ->> 'stand' = split.part[1]
) AS fitting
WHERE id IS NOT NULL
ORDER BY kind, stand, id, time;

-- Every result that was announced. NULL where a figure was not stated.
CREATE OR REPLACE VIEW lashmap_result AS
SELECT
    lashmap_time(message ->> 'utc') AS time,
    stand,
    message ->> 'test' AS test,
    message ->> 'box' AS box,
    message ->> 'serial' AS serial,
    message ->> 'outcome' AS outcome,
    lashmap_number(message #> '{tight_spot_stated,normal_backlash_mm}') AS least_mm,
    lashmap_number(message #> '{tight_spot_stated,interval_low_mm}') AS low_mm,
    lashmap_number(message #> '{tight_spot_stated,interval_high_mm}') AS high_mm,
    lashmap_number(message #> '{tight_spot_stated,engagement}') AS engagement,
    lashmap_number(message #> '{lash,mean_mm}') AS mean_mm,
    lashmap_number(message #> '{lash,mean_standard_uncertainty_mm}') AS mean_standard_uncertainty_mm,
    message #>> '{lash,judged}' AS judged,
    message #>> '{reasons,0}' AS first_reason,
    id
FROM lashmap_record
WHERE kind = 'result' AND lashmap_time(message ->> 'utc') IS NOT NULL;

-- The newest result of each test, and the newest thing that a reviewer did with it.
CREATE OR REPLACE VIEW lashmap_verdict AS
SELECT DISTINCT ON (result.stand, result.test) result.*, review.kind AS reviewed, review.who AS reviewer
FROM lashmap_result AS result
LEFT JOIN LATERAL (
    SELECT message ->> 'kind' AS kind, message #>> '{record,by}' AS who
    FROM lashmap_record AS one
    WHERE one.kind = 'review' AND one.stand = result.stand AND one.message ->> 'test' = result.test
    ORDER BY lashmap_number(message -> 'event') DESC
    LIMIT 1
) AS review ON true
ORDER BY result.stand, result.test, result.time DESC;

-- The runout of each member in these results; a part that does not stand by itself has no figure.
CREATE OR REPLACE VIEW lashmap_runout AS
SELECT
    verdict.time, verdict.stand, verdict.test, verdict.serial,
    member ->> 'member' AS member,
    (member ->> 'separable') = 'true' AS separable,
    lashmap_number(member -> 'amplitude_mm') AS amplitude_mm,
    lashmap_number(member -> 'standard_uncertainty_mm') AS standard_uncertainty_mm,
    lashmap_number(member -> 'fim_mm') AS fim_mm,
    lashmap_number(member -> 'high_point_deg') AS high_point_deg
FROM lashmap_verdict AS verdict
JOIN lashmap_record AS record ON record.kind = 'result' AND record.stand = verdict.stand AND record.id = verdict.id
CROSS JOIN LATERAL jsonb_array_elements(
    CASE WHEN jsonb_typeof(record.message #> '{runout,members}') = 'array' THEN record.message #> '{runout,members}' ELSE '[]' END
) AS member;

-- Each accepted rock as the screen showed it; the result is computed anew from the samples.
CREATE OR REPLACE VIEW lashmap_position AS
SELECT
    lashmap_time(message ->> 'utc') AS time,
    stand,
    message ->> 'test' AS test,
    lashmap_number(message #> '{record,number}') AS position,
    lashmap_number(message #> '{record,engagement}') AS engagement,
    lashmap_number(message #> '{record,normal_backlash_mm}') AS normal_backlash_mm,
    lashmap_number(message #> '{record,standard_uncertainty_mm}') AS standard_uncertainty_mm
FROM lashmap_record
WHERE kind = 'position' AND message ->> 'kind' = 'RockAccepted' AND lashmap_time(message ->> 'utc') IS NOT NULL;

CREATE OR REPLACE VIEW lashmap_alarm AS
SELECT
    lashmap_time(message ->> 'utc') AS time,
    stand,
    message ->> 'test' AS test,
    message ->> 'kind' AS kind,
    coalesce(message #>> '{record,instrument}', '') AS instrument,
    coalesce(message #>> '{record,reason}', message #>> '{record,cause}', '') AS reason
FROM lashmap_record
WHERE kind = 'alarm' AND lashmap_time(message ->> 'utc') IS NOT NULL;
