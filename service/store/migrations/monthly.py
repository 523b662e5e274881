"""The tables that grow with every day of everybody, laid by month on PostgreSQL: what the database itself knows of it.

A month of such a table is a table of its own under it (a partition), in the schema `months`, by the month of the row's
id, which begins with the instant at which it was made (`store.identity`): so an id alone leads to one month, the key is
the id alone as everywhere else, and a month whose time is over is dropped at once instead of deleted row by row. What
fits in no month lies in the table's `rest`; so nothing is ever refused, and `doctor` says so.

Months are made by a function of the owner's (`months.make`), since whoever works need not be allowed to make tables:
one month of one table a call, which gives up within half a second where it would have to wait, before anybody who
waits for it is thought to stand in a deadlock (PostgreSQL's deadlock_timeout, a second by its default). What lies in
the rest and is of that month goes into it. Roles have no right to a month, only to the table above it, whose policies
hold for all that is reached through it; each month besides has row security on and no policy, so that who should come
by a right to one sees nothing.

What PostgreSQL knows of a month it gathers by itself, and of the table above the months never: `months.gather` has it
look at one of them, where it has not for a week.

SQLite has the same tables, whole. How months are made ahead, looked at and dropped: `store.months`.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import Connection

from service.store.tables import MONTHLY

LOCK_WAIT = "500ms"
EARLIEST = "2020-01-01"  # ids of before are a machine's whose clock was wrong: there were none yet
TELLS_TIME = "substr(id::text, 15, 1) = ''7''"  # an id of another version stays in the rest, and goes row by row
FURTHEST = 24  # months ahead, whatever is asked for
GATHERED_DAYS = 7


def build(connection: Connection) -> None:
    """What makes months; part of every layout, walled or not."""
    for statement in _functions():
        connection.exec_driver_sql(statement.replace("%", "%%"))


def lay_out(connection: Connection) -> None:
    """For tables that were just made: a rest each. Their months are of the day: `store.months.make_ahead`."""
    for name in MONTHLY:
        connection.exec_driver_sql(f"CREATE TABLE months.{name}_rest PARTITION OF public.{name} DEFAULT")
        connection.exec_driver_sql(f"ALTER TABLE months.{name}_rest ENABLE ROW LEVEL SECURITY")


def _functions() -> Iterator[str]:
    names = ", ".join(f"'{name}'" for name in MONTHLY)
    yield "CREATE SCHEMA IF NOT EXISTS months"
    # RFC 9562, section 5.7: the first 48 bits are the milliseconds since 1970; all that follows is at its least.
    yield """CREATE OR REPLACE FUNCTION months.first_id(begins timestamptz) RETURNS uuid LANGUAGE sql STABLE
SET search_path = pg_catalog, pg_temp AS
$$ SELECT (lpad(to_hex((extract(epoch FROM begins) * 1000)::bigint), 12, '0') || repeat('0', 20))::uuid $$"""
    yield """CREATE OR REPLACE FUNCTION months.month_of(id uuid) RETURNS timestamptz LANGUAGE sql STABLE
SET search_path = pg_catalog, pg_temp AS
$$ SELECT date_trunc('month', to_timestamp(
  ('x' || lpad(left(replace(id::text, '-', ''), 12), 16, '0'))::bit(64)::bigint / 1000.0), 'UTC') $$"""
    yield f"""CREATE OR REPLACE FUNCTION months.make(ahead integer) RETURNS text LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp SET lock_timeout = '{LOCK_WAIT}' AS $$
DECLARE
  one text; month text; begins timestamptz; ends timestamptz; stray uuid;
  this_month timestamptz := date_trunc('month', now(), 'UTC');
  furthest timestamptz := this_month + make_interval(months => least(ahead, {FURTHEST}));
BEGIN
  FOREACH one IN ARRAY ARRAY[{names}] LOOP
    EXECUTE format('SELECT id FROM months.%I WHERE {TELLS_TIME} AND id >= $1 AND id < $2
      ORDER BY id LIMIT 1', one || '_rest')
      INTO stray USING months.first_id('{EARLIEST} UTC'), months.first_id(furthest + interval '1 month');
    begins := coalesce(months.month_of(stray), this_month);
    WHILE begins <= furthest LOOP
      month := one || to_char(begins AT TIME ZONE 'UTC', '_YYYY_MM');
      ends := (begins AT TIME ZONE 'UTC' + interval '1 month') AT TIME ZONE 'UTC';
      IF to_regclass(format('months.%I', month)) IS NULL THEN
        EXECUTE format('CREATE TABLE months.%I (LIKE public.%I INCLUDING ALL)', month, one);
        EXECUTE format('ALTER TABLE months.%I ENABLE ROW LEVEL SECURITY', month);
        EXECUTE format('WITH moved AS (DELETE FROM months.%I WHERE id >= $1 AND id < $2 RETURNING *)
          INSERT INTO months.%I SELECT * FROM moved', one || '_rest', month)
          USING months.first_id(begins), months.first_id(ends);
        EXECUTE format('ALTER TABLE public.%I ATTACH PARTITION months.%I FOR VALUES FROM (%L) TO (%L)',
          one, month, months.first_id(begins), months.first_id(ends));
        RETURN month;
      END IF;
      EXIT WHEN begins < this_month;  -- of what lies in the rest one month at a time
      begins := ends;
    END LOOP;
  END LOOP;
  RETURN NULL;
END $$"""  # noqa: S608 - our own words
    yield f"""CREATE OR REPLACE FUNCTION months.gather() RETURNS text LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp AS $$
DECLARE one text;
BEGIN
  FOREACH one IN ARRAY ARRAY[{names}] LOOP
    IF NOT EXISTS (SELECT FROM pg_stat_all_tables WHERE relid = format('public.%I', one)::regclass
        AND last_analyze > now() - interval '{GATHERED_DAYS} days') THEN
      EXECUTE format('ANALYZE public.%I', one);
      RETURN one;
    END IF;
  END LOOP;
  RETURN NULL;
END $$"""
    yield f"""CREATE OR REPLACE FUNCTION months.look(OUT made text, OUT last_month text, OUT astray boolean)
RETURNS SETOF record LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
  FOREACH made IN ARRAY ARRAY[{names}] LOOP
    SELECT max(right(c.relname, 7)) INTO last_month FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
      WHERE i.inhparent = format('public.%I', made)::regclass AND c.relname ~ '_[0-9]{{4}}_[0-9]{{2}}$';
    EXECUTE format('SELECT EXISTS (SELECT FROM months.%I WHERE {TELLS_TIME})', made || '_rest') INTO astray;
    RETURN NEXT;
  END LOOP;
END $$"""  # noqa: S608 - our own words
    yield "REVOKE ALL ON ALL FUNCTIONS IN SCHEMA months FROM PUBLIC"
