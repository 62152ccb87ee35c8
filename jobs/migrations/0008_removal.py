"""The one way in which append-only tables give up rows: the removal of a whole company that is due."""

from django.conf import settings
from django.db import migrations

# Moments of a removal are the database's own, so that whoever may only write rows cannot make one due.
CLOCK = """
CREATE FUNCTION removal_clock() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    NEW.at := now();
    NEW.due_at := CASE WHEN NEW.kind = 'asked' THEN now() + interval '14 days' END;
    RETURN NEW;
END $$
"""
CLOCK_TRIGGER = (
    "CREATE TRIGGER removal_clock BEFORE INSERT ON jobs_removal FOR EACH ROW EXECUTE FUNCTION removal_clock()"
)
DUE = """
CREATE FUNCTION removal_due() RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT EXISTS (
        SELECT FROM public.jobs_removal a
        WHERE a.company_id = public.app_company() AND a.kind = 'asked'
          AND a.due_at <= now() AND a.due_at >= a.at + interval '14 days'
          AND NOT EXISTS (
              SELECT FROM public.jobs_removal w
              WHERE w.company_id = a.company_id AND w.request_id = a.id AND w.kind = 'withdrawn'))
$$
"""
# The owner of the tables alone, and only inside remove_company_rows does the serving role act as that.
APPEND_ONLY = """
CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
    IF TG_OP = 'DELETE' AND TG_LEVEL = 'ROW' AND TG_TABLE_NAME <> 'jobs_tombstone'
       AND current_user = (SELECT pg_get_userbyid(relowner) FROM pg_class WHERE oid = TG_RELID)
       AND public.removal_due() THEN
        RETURN OLD;
    END IF;
    RAISE EXCEPTION 'table % is append-only: add a row that supersedes', TG_TABLE_NAME USING ERRCODE = '55000';
END $$
"""
APPEND_ONLY_BEFORE = """
CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
RAISE EXCEPTION 'table % is append-only: add a row that supersedes', tg_table_name USING ERRCODE = '55000'; END $$
"""
# Rows that others of their own table still point at wait for a later call.
REMOVE = """
CREATE FUNCTION remove_company_rows(company uuid, victim text, most integer) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
    leaves text := '';
    link record;
    removed bigint;
BEGIN
    IF company IS DISTINCT FROM public.app_company() OR NOT public.removal_due() THEN
        RAISE EXCEPTION 'no removal of this company is due' USING ERRCODE = '42501';
    END IF;
    IF victim = 'jobs_removal' OR NOT EXISTS (
        SELECT FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
        WHERE c.relname = victim AND c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p')
          AND a.attname = 'company_id' AND NOT a.attisdropped) THEN
        RAISE EXCEPTION 'not a table of companies: %', victim USING ERRCODE = '42501';
    END IF;
    FOR link IN
        SELECT a.attname FROM pg_constraint k
        JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = ANY (k.conkey) AND a.attname <> 'company_id'
        WHERE k.contype = 'f' AND k.conrelid = k.confrelid AND k.conrelid = format('public.%I', victim)::regclass
    LOOP
        leaves := leaves || format(
            ' AND NOT EXISTS (SELECT FROM public.%I s WHERE s.company_id = t.company_id AND s.%I = t.id)',
            victim, link.attname);
    END LOOP;
    EXECUTE format(
        'DELETE FROM public.%I WHERE company_id = $1 AND id IN'
        ' (SELECT t.id FROM public.%I t WHERE t.company_id = $1%s LIMIT $2)', victim, victim, leaves)
        USING company, most;
    GET DIAGNOSTICS removed = ROW_COUNT;
    RETURN removed;
END $$
"""
# The last step: the requests themselves, then the company, and the stone that says so.
END = """
CREATE FUNCTION remove_company(company uuid, stone uuid, row_count bigint) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
    request uuid;
BEGIN
    IF company IS DISTINCT FROM public.app_company() OR NOT public.removal_due() THEN
        RAISE EXCEPTION 'no removal of this company is due' USING ERRCODE = '42501';
    END IF;
    SELECT a.id INTO request FROM public.jobs_removal a
    WHERE a.company_id = company AND a.kind = 'asked' AND a.due_at <= now()
      AND NOT EXISTS (
          SELECT FROM public.jobs_removal w
          WHERE w.company_id = a.company_id AND w.request_id = a.id AND w.kind = 'withdrawn')
    ORDER BY a.at LIMIT 1;
    INSERT INTO public.jobs_tombstone
        (id, company_ref, asked_by, asked_at, removed_at, manifest_digest, head_number, row_count)
    SELECT stone, company, a.member_id, a.at, now(), x.manifest_digest, x.head_number, remove_company.row_count
    FROM public.jobs_removal a
    JOIN public.jobs_companyexport x ON x.company_id = a.company_id AND x.id = a.export_id
    WHERE a.company_id = remove_company.company AND a.id = request;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'the removal names no export' USING ERRCODE = '42501';
    END IF;
    SET CONSTRAINTS ALL DEFERRED;
    DELETE FROM public.jobs_removal WHERE company_id = company AND id <> request;
    DELETE FROM public.jobs_removal WHERE company_id = company;
    DELETE FROM public.jobs_companyexport WHERE company_id = company;
    DELETE FROM public.jobs_member WHERE company_id = company;
    DELETE FROM public.jobs_company WHERE id = company;
    SET CONSTRAINTS ALL IMMEDIATE;
END $$
"""


def to_the_serving_role():
    role = '"' + settings.DATABASE_APP_ROLE.replace('"', '""') + '"'
    statements = []
    for function in ("remove_company_rows(uuid, text, integer)", "remove_company(uuid, uuid, bigint)"):
        statements.append(f"REVOKE ALL ON FUNCTION {function} FROM PUBLIC")
        statements.append(f"GRANT EXECUTE ON FUNCTION {function} TO {role}")
    role_reads = f"REVOKE INSERT ON jobs_tombstone FROM {role}"
    return [*statements, role_reads]


class Migration(migrations.Migration):
    dependencies = [("jobs", "0007_keeping")]

    operations = [
        migrations.RunSQL(
            [CLOCK, CLOCK_TRIGGER, DUE, APPEND_ONLY, REMOVE, END, *to_the_serving_role()],
            [
                "DROP FUNCTION remove_company(uuid, uuid, bigint)",
                "DROP FUNCTION remove_company_rows(uuid, text, integer)",
                APPEND_ONLY_BEFORE,
                "DROP FUNCTION removal_due()",
                "DROP TRIGGER removal_clock ON jobs_removal",
                "DROP FUNCTION removal_clock()",
            ],
        ),
    ]
