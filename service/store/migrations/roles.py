"""The database's roles, and the policies by which PostgreSQL keeps the wall between clinics (`store.wall`).

Made from the tables as they are: a table with `clinic_id` is walled by it, one without by the row that it hangs on
(`PATHS`), and one with neither is refused unless its reason stands in `OUTSIDE_CLINICS`. Four roles: the owner of the
tables, who migrates, and whom no policy binds; the web, one clinic a transaction; the worker, who works for all
clinics; the auditor, who reads what was done and changes nothing. What is only ever added to (`ONLY_ADDED`) the web
and the worker may not change, nor take away: retention and erasure are the owner's, or a function of the owner's with
a narrow end. All of it is made anew each time, in one transaction.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping

from sqlalchemy import Connection, Table, text

from service.store.tables import Base
from service.store.wall import GATES, SETTING, WEB, Gate

WORKER, AUDITOR = "neaptide_worker", "neaptide_auditor"
ROLES = (WEB, WORKER, AUDITOR)
TRAIL_KEPT = "28 days"  # the least that NEAPTIDE_TRAIL_MONTHS asks for is a month: nothing younger goes

# Rows that name no clinic, and by which row's they are known: the column, and the table that it leads to.
PATHS: Mapping[str, tuple[str, str]] = {
    "staff_sessions": ("staff_id", "staff"),
    "staff_invitations": ("staff_id", "staff"),
    "passkeys": ("staff_id", "staff"),
    "passkey_challenges": ("staff_id", "staff"),
    "form_drafts": ("staff_id", "staff"),
    "carried_states": ("patient_id", "patients"),
    "inbound_texts": ("contact_id", "contacts"),
}
# Tables of no clinic: what the web may do with them, and why that shows nobody anything.
OUTSIDE_CLINICS: Mapping[str, tuple[str, str]] = {
    "sign_in_attempts": ("SELECT, INSERT, UPDATE, DELETE", "digests of what was typed and from where"),
    "quarantined_rows": ("SELECT, INSERT, UPDATE", "ids, and the class and place of an exception"),
    "secret_marks": ("SELECT, INSERT, UPDATE", "a mark by which the secret key is known again"),
    "heartbeats": ("SELECT", "which worker was last seen, and how much it did"),
    "nightly_checks": ("SELECT", "how many things were not as they must be"),
    "arrivals": ("SELECT", "a number from which the marks of rows go on"),
    "backups": ("SELECT", "when a backup was made, and what became of it"),
    "holds": ("SELECT", "since when the service is held, and why"),
    "audit_seals": ("", "over which lines of a chain a seal stands: the worker's, and the auditor's to check"),
    "read_positions": ("", "how far a provider's list was read: the worker's"),
    "dead_letters": ("", "what could not be taken in, as it came: by the gate of what is called in alone"),
    "unplaced_texts": ("", "texts of which no clinic is known yet: by the same gate"),
    "trials": ("", "test messages of the operator's: by the same gate"),
}
# What is only ever added to, and of which columns a change is granted all the same. Policies say when: a line's place
# in the chain is given once, a patient's consents go with them, and of a signature, which is locked, none passes.
ONLY_ADDED: Mapping[str, tuple[str, ...]] = {
    "audit_lines": ("number", "code"),
    "access_lines": (),
    "consents": ("clinic_id",),
    "caregiver_replies": ("clinic_id",),
    "message_events": ("clinic_id",),
    "sign_offs": ("id",),
    "sign_off_withdrawals": (),
    "review_additions": (),
}
# What a clinic signed stays its own, and whoever looks after the patient now reads it.
READ_WITH_PATIENT = ("sign_offs", "sign_off_withdrawals", "review_additions")
NOT_TAKEN_AWAY = ("audit_seals",)
AUDITED = (
    "audit_lines",
    "audit_seals",
    "access_lines",
    "consents",
    "sign_offs",
    "sign_off_withdrawals",
    "review_additions",
)

DROP_POLICIES = """DO $$ DECLARE one record; BEGIN
  FOR one IN SELECT policyname, tablename FROM pg_policies WHERE schemaname = 'public' LOOP
    EXECUTE format('DROP POLICY %I ON public.%I', one.policyname, one.tablename);
  END LOOP;
END $$"""
CLINIC, GATE = "(SELECT wall.clinic())", "(SELECT wall.gate())"
# A transfer's two clinics, for either of them, while it waits and in the transaction that answers it. As CASE, of which
# PostgreSQL expects half the rows to pass. A clinic's rows are asked for by its clinic: of AND it expects next to none,
# and so, of a clinic named by a query and by its policy, one row for as many as there are clinics. Then a page of
# what arrived last is sorted out of all that ever arrived, and a clinic's patients are looked up one by one.
PARTIES = f"CASE WHEN {GATE} = '{Gate.TRANSFER}' THEN clinic_id IN (SELECT wall.parties()) ELSE false END"
NOT_HANDED_OVER = {"staff", "api_keys", "hospital_sign_ins", "emergency_codes", "emergency_accesses", "clinics"}


def build_functions(connection: Connection) -> None:
    """What policies and queries ask; part of every layout, walled or not."""
    for statement in _functions():
        connection.exec_driver_sql(statement)


def drop_functions(connection: Connection) -> None:
    connection.exec_driver_sql("DROP SCHEMA IF EXISTS wall CASCADE")


def keep_keys(connection: Connection, keys: tuple[bytes, ...]) -> None:
    """By which keys what a transaction says is known for true: today's, and those before it."""
    connection.exec_driver_sql("DELETE FROM wall.keys")
    for key in keys:
        padded = key.ljust(64, b"\0")  # RFC 2104: the block of SHA-256
        pads = {"inner": bytes(one ^ 0x36 for one in padded), "outer": bytes(one ^ 0x5C for one in padded)}
        connection.execute(text("INSERT INTO wall.keys VALUES (:inner, :outer)"), pads)


def there(connection: Connection) -> list[str]:
    """Which of the roles the server has."""
    found = set(connection.scalars(text("SELECT rolname FROM pg_roles WHERE rolname LIKE 'neaptide%'")))
    return [role for role in ROLES if role in found]


def raise_wall(connection: Connection) -> None:
    """Give the roles what is theirs and no more, unless the database is told so already. As the owner of the tables."""
    database = str(connection.exec_driver_sql("SELECT current_database()").scalar_one())
    wanted = [*statements(database)]
    mark = hashlib.sha256("\n".join(wanted).encode()).hexdigest()
    # A backup that was brought back under the same name bears the mark, and nobody's rights.
    have_rights = text(f"SELECT has_table_privilege('{WORKER}', 'patients', 'SELECT')")  # noqa: S608 - our own words
    told = connection.scalar(text("SELECT obj_description('wall'::regnamespace, 'pg_namespace')"))
    if told == mark and connection.scalar(have_rights):
        return
    for statement in (*wanted, f"COMMENT ON SCHEMA wall IS '{mark}'"):
        connection.exec_driver_sql(statement.replace("%", "%%"))


def making(role: str) -> str:
    """What whoever runs the server types once for a role; it still needs its password."""
    return f"CREATE ROLE {role} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS"


def statements(database: str) -> Iterator[str]:
    """All that makes the wall, in order."""
    everybody = ", ".join(ROLES)
    yield DROP_POLICIES
    yield f'REVOKE ALL ON DATABASE "{database}" FROM PUBLIC'
    yield f'GRANT CONNECT ON DATABASE "{database}" TO {everybody}'
    yield "REVOKE CREATE ON SCHEMA public FROM PUBLIC"
    yield f"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {everybody}"
    yield f"GRANT USAGE ON SCHEMA public, wall TO {everybody}"
    yield f"GRANT SELECT ON alembic_version TO {everybody}"
    yield f"GRANT USAGE ON SCHEMA months TO {WEB}, {WORKER}"  # to call what is there: no month is theirs to read
    yield f"GRANT EXECUTE ON FUNCTION months.look() TO {WEB}, {WORKER}"
    yield f"GRANT EXECUTE ON FUNCTION months.make(integer), months.gather() TO {WORKER}"
    for table in Base.metadata.sorted_tables:
        yield from _policies(table)
        yield from _grants(table)


# --- what each table is walled by ---------------------------------------------------------------


def walled_by(table: Table) -> str | None:
    """The condition by which a row is the clinic's own; None for a table of no clinic. Raises LookupError."""
    if table.name in OUTSIDE_CLINICS:
        return None
    if table.name == "clinics":
        return f"id = {CLINIC}"
    if table.name == "transfers":
        return f"{CLINIC} IN (clinic_id, to_clinic_id)"
    if table.name in PATHS:
        column, leads_to = PATHS[table.name]
        return f"EXISTS (SELECT FROM {leads_to} led WHERE led.id = {table.name}.{column} AND led.clinic_id = {CLINIC})"
    if "clinic_id" in table.c:
        return f"clinic_id = {CLINIC}"
    raise LookupError(f"the table {table.name} is of which clinic? Say it in {__name__}")


def _policies(table: Table) -> Iterator[str]:
    name, own = table.name, walled_by(table)
    if own is None and OUTSIDE_CLINICS[name][0]:
        own = "true"
    yield f"ALTER TABLE {name} ENABLE ROW LEVEL SECURITY"
    if own is not None:
        yield from _own(name, WEB, own)
    if name == "clinics":  # a transfer names the others, and so does a text that may be meant for several
        yield f"CREATE POLICY theirs ON {name} FOR SELECT TO {WEB} USING (true)"
    if name == "stranger_texts":  # that several clinics were told of: each by its own task
        told = f"SELECT FROM tasks t WHERE t.clinic_id = {CLINIC} AND t.facts->>'inbound' = {name}.gateway_ref"
        yield f"CREATE POLICY theirs ON {name} FOR SELECT TO {WEB} USING (clinic_id IS NULL AND EXISTS ({told}))"
    if name in READ_WITH_PATIENT:
        looked_after = f"SELECT FROM patients p WHERE p.id = {name}.patient_id AND p.clinic_id = {CLINIC}"
        yield f"CREATE POLICY theirs ON {name} FOR SELECT TO {WEB} USING (EXISTS ({looked_after}))"
    reads, writes, adds = (_words(name, which) for which in ("reads", "writes", "adds"))
    if reads:
        yield f"CREATE POLICY gates ON {name} FOR SELECT TO {WEB} USING ({GATE} IN ({reads}))"
    if writes:
        by = f"{GATE} IN ({writes})"
        yield f"CREATE POLICY gates_write ON {name} TO {WEB} USING ({by}) WITH CHECK ({by})"
    if adds:
        yield f"CREATE POLICY gates_add ON {name} FOR INSERT TO {WEB} WITH CHECK ({GATE} IN ({adds}))"
    if "clinic_id" in table.c and name not in NOT_HANDED_OVER:
        yield f"CREATE POLICY parties ON {name} TO {WEB} USING ({PARTIES}) WITH CHECK ({PARTIES})"
    yield from _own(name, WORKER, "true")
    if name == "access_lines":  # whose time is over goes, and nothing younger
        yield f"CREATE POLICY worker_ends ON {name} FOR DELETE TO {WORKER} USING (at < now() - interval '{TRAIL_KEPT}')"
    if name == "audit_lines":
        once = "USING (number IS NULL) WITH CHECK (number IS NOT NULL)"
        yield f"CREATE POLICY worker_seals ON {name} FOR UPDATE TO {WORKER} {once}"
    if "clinic_id" in ONLY_ADDED.get(name, ()):  # what was written late under the clinic that a patient has left
        yield f"CREATE POLICY worker_moves ON {name} FOR UPDATE TO {WORKER} USING (true) WITH CHECK (true)"
    if name in AUDITED:
        yield f"CREATE POLICY auditor ON {name} FOR SELECT TO {AUDITOR} USING (true)"


def _own(name: str, role: str, own: str) -> Iterator[str]:
    """What the role does with rows of its own: all, or, where they are only added to, read and add.

    The server looks at policies in the order of their names, the last one first: at this one before gates and transfers.
    A signature is locked besides, for which the server asks for the right to change it: no change passes.
    """
    if name not in ONLY_ADDED:
        yield f"CREATE POLICY whose_{role} ON {name} TO {role} USING ({own}) WITH CHECK ({own})"
        return
    yield f"CREATE POLICY reads_{role} ON {name} FOR SELECT TO {role} USING ({own})"
    yield f"CREATE POLICY adds_{role} ON {name} FOR INSERT TO {role} WITH CHECK ({own})"
    if name == "sign_offs":
        yield f"CREATE POLICY locks_{role} ON {name} FOR UPDATE TO {role} USING ({own}) WITH CHECK (false)"


def _opened() -> set[str]:
    return {name for opens in GATES.values() for name in opens.reads | opens.writes | opens.adds}


def _words(table: str, which: str) -> str:
    return ", ".join(f"'{gate}'" for gate, opens in GATES.items() if table in getattr(opens, which))


def _grants(table: Table) -> Iterator[str]:
    name = table.name
    if name in ONLY_ADDED:
        yield f"GRANT SELECT, INSERT ON {name} TO {WEB}, {WORKER}"
        if ONLY_ADDED[name]:
            yield f"GRANT UPDATE ({', '.join(ONLY_ADDED[name])}) ON {name} TO {WEB}, {WORKER}"
        if name == "access_lines":
            yield f"GRANT DELETE ON {name} TO {WORKER}"
    elif name in OUTSIDE_CLINICS:
        rights = OUTSIDE_CLINICS[name][0] or ("SELECT, INSERT, UPDATE, DELETE" if name in _opened() else "")
        yield f"GRANT SELECT, INSERT, UPDATE{'' if name in NOT_TAKEN_AWAY else ', DELETE'} ON {name} TO {WORKER}"
        if rights:
            yield f"GRANT {rights} ON {name} TO {WEB}"
    elif name == "clinics":
        yield f"GRANT SELECT, UPDATE ON {name} TO {WEB}, {WORKER}"
    else:
        yield f"GRANT SELECT, INSERT, UPDATE, DELETE ON {name} TO {WEB}, {WORKER}"
    if name in AUDITED:
        yield f"GRANT SELECT ON {name} TO {AUDITOR}"


# --- what they ask -------------------------------------------------------------------------------


def _functions() -> Iterator[str]:
    definer = "STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp"
    yield "CREATE SCHEMA IF NOT EXISTS wall"
    yield "CREATE TABLE IF NOT EXISTS wall.keys (inner_pad bytea NOT NULL, outer_pad bytea NOT NULL)"
    yield f"""CREATE OR REPLACE FUNCTION wall.said() RETURNS text[] LANGUAGE plpgsql {definer} AS $$
DECLARE
  parts text[] := string_to_array(current_setting('{SETTING}', true), ':');
BEGIN
  PERFORM FROM wall.keys WHERE parts[3] =
    encode(sha256(outer_pad || sha256(inner_pad || convert_to(parts[1] || ':' || parts[2], 'UTF8'))), 'hex');
  RETURN CASE WHEN FOUND THEN parts END;
END $$"""
    yield f"""CREATE OR REPLACE FUNCTION wall.clinic() RETURNS uuid LANGUAGE plpgsql {definer} AS $$
BEGIN RETURN nullif((wall.said())[2], '')::uuid; END $$"""
    yield f"""CREATE OR REPLACE FUNCTION wall.gate() RETURNS text LANGUAGE plpgsql {definer} AS $$
BEGIN RETURN (wall.said())[1]; END $$"""
    # By the row's own mark one that this transaction has answered is known, whatever clock it was stamped by.
    yield f"""CREATE OR REPLACE FUNCTION wall.parties() RETURNS SETOF uuid LANGUAGE sql {definer} AS $$
SELECT unnest(ARRAY[t.clinic_id, t.to_clinic_id]) FROM public.transfers t
WHERE wall.clinic() IN (t.clinic_id, t.to_clinic_id)
  AND (t.state = 'asked' OR t.xmin = pg_current_xact_id_if_assigned()::xid) $$"""  # noqa: S608 - our own words
    yield f"""CREATE OR REPLACE FUNCTION wall.name_elsewhere(whose uuid) RETURNS text LANGUAGE sql {definer} AS $$
SELECT s.name FROM public.staff s WHERE s.id = whose AND EXISTS (SELECT FROM public.transfers t
WHERE t.clinic_id = s.clinic_id AND t.to_clinic_id = wall.clinic() AND t.state = 'accepted') $$"""  # noqa: S608 - our own words
