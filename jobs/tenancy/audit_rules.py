"""What the catalogue must not contain: one query a rule, each row a fault.

`<tenant>` stands for TENANT. Parameters: app (serving role), company (table of the companies), definers
(functions allowed to run with their owner's rights), tables (every table that may lack company_id).
"""

# A table whose rows belong to companies, and its column that says to which.
TENANT = """(
    SELECT c.oid, c.relname, c.relkind, c.relispartition, c.relrowsecurity, c.relforcerowsecurity,
           CASE WHEN c.relname = %(company)s THEN 'id' ELSE 'company_id' END AS col
    FROM pg_class c
    WHERE c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace
      AND (c.relname = %(company)s OR EXISTS (
          SELECT FROM pg_attribute a
          WHERE a.attrelid = c.oid AND a.attname = 'company_id' AND NOT a.attisdropped)))"""

_TEMPLATES = {
    "connected as another role than the serving role": """
        SELECT current_user::text WHERE current_user <> %(app)s""",
    "tenant table without forced row security and a policy": """
        SELECT t.oid::regclass::text FROM <tenant> t
        WHERE NOT (t.relrowsecurity AND t.relforcerowsecurity AND (
            EXISTS (SELECT FROM pg_policy p WHERE p.polrelid = t.oid)
            OR t.relispartition
               AND NOT has_table_privilege(%(app)s, t.oid, 'select,insert,update,delete')))""",
    "partition that the serving role reaches past its whole": """
        SELECT t.oid::regclass::text FROM <tenant> t
        WHERE t.relispartition AND (
            has_table_privilege(%(app)s, t.oid, 'select,insert,update,delete')
            OR has_any_column_privilege(%(app)s, t.oid, 'select,insert,update'))""",
    "partitioned table that lacks a partition": r"""
        SELECT t.oid::regclass::text FROM <tenant> t
        WHERE t.relkind = 'p' AND 1.0 > coalesce((
            SELECT sum(1.0 / substring(pg_get_expr(c.relpartbound, c.oid) FROM 'modulus (\d+)')::int)
            FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = t.oid), 0) + 1e-9""",
    "company_id may be null": """
        SELECT t.oid::regclass::text FROM <tenant> t
        JOIN pg_attribute a ON a.attrelid = t.oid AND a.attname = t.col WHERE NOT a.attnotnull""",
    "policy that is not the standard one": """
        SELECT p.polrelid::regclass || ' ' || p.polname
        FROM pg_policy p LEFT JOIN <tenant> t ON t.oid = p.polrelid
        WHERE NOT coalesce(
            p.polname = 'tenant' AND p.polcmd = '*' AND p.polroles = '{0}' AND p.polpermissive
            AND pg_get_expr(p.polqual, p.polrelid) = pg_get_expr(p.polwithcheck, p.polrelid)
            AND pg_get_expr(p.polqual, p.polrelid) IN (
                '(' || t.col || ' = ( SELECT app_company() AS app_company))',
                '(' || t.col || ' = app_company())'), false)""",
    "function of policies or triggers changed": """
        SELECT f.name FROM (VALUES
            ('app_company', 'select nullif(current_setting(''app.company'', true), '''')::uuid'),
            ('append_only', '922e276c719bab977c59d65a71c860c1'),
            ('removal_clock', '6d620eab319270857ad657c6ab8c8f2b'),
            ('removal_due', '509f6a87d30faed83f6ffbd4ef56d046'),
            ('person_travel', '2e9b2481fc9ab37467a3b75c44d8c67d')) AS f (name, body)
        WHERE NOT EXISTS (
            SELECT FROM pg_proc p
            WHERE p.proname = f.name AND p.pronamespace = 'public'::regnamespace AND NOT p.prosecdef
              AND CASE f.name WHEN 'app_company' THEN lower(btrim(p.prosrc)) = f.body
                  ELSE md5(p.prosrc) = f.body END)""",
    "function that runs as its owner changed": """
        SELECT f.name FROM (VALUES
            ('remove_company', '46ba7035ed5deb09f15345090619151a'),
            ('remove_company_rows', 'bdeba752b874fb369b0dd35a5fd5cda2')) AS f (name, body)
        WHERE NOT EXISTS (
            SELECT FROM pg_proc p
            WHERE p.proname = f.name AND p.pronamespace = 'public'::regnamespace AND p.prosecdef
              AND md5(p.prosrc) = f.body)""",
    "primary key, unique or exclusion index that does not begin with the company": """
        SELECT i.indexrelid::regclass::text FROM pg_index i JOIN <tenant> t ON t.oid = i.indrelid
        WHERE (i.indisunique OR i.indisexclusion) AND coalesce((
            SELECT a.attname::text FROM pg_attribute a
            WHERE a.attrelid = i.indrelid AND a.attnum = i.indkey[0]), '') <> t.col""",
    "foreign key between tenant tables that does not compare the company": """
        SELECT k.conrelid::regclass || ' ' || k.conname
        FROM pg_constraint k JOIN <tenant> f ON f.oid = k.conrelid JOIN <tenant> r ON r.oid = k.confrelid
        WHERE k.contype = 'f' AND k.conparentid = 0 AND NOT EXISTS (
            SELECT FROM unnest(k.conkey, k.confkey) u (own, other)
            JOIN pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = u.own AND a.attname = f.col
            JOIN pg_attribute b ON b.attrelid = k.confrelid AND b.attnum = u.other AND b.attname = r.col)""",
    "foreign key from a shared table to a tenant table": """
        SELECT k.conrelid::regclass || ' ' || k.conname
        FROM pg_constraint k JOIN <tenant> r ON r.oid = k.confrelid
        WHERE k.contype = 'f' AND NOT EXISTS (SELECT FROM <tenant> f WHERE f.oid = k.conrelid)""",
    "foreign key that acts in the database, as the owner and past row security": """
        SELECT conrelid::regclass || ' ' || conname FROM pg_constraint
        WHERE contype = 'f' AND (confdeltype NOT IN ('a', 'r') OR confupdtype NOT IN ('a', 'r'))""",
    "foreign key not validated or not enforced": """
        SELECT conrelid::regclass || ' ' || conname FROM pg_constraint
        WHERE contype = 'f' AND NOT (convalidated AND conenforced)""",
    "serving role has rights it must not have": """
        SELECT 'role attribute' FROM pg_roles WHERE rolname = %(app)s
            AND (rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication)
        UNION ALL SELECT 'member of ' || roleid::regrole FROM pg_auth_members WHERE member = %(app)s::regrole
        UNION ALL SELECT 'owns ' || pg_describe_object(classid, objid, objsubid) FROM pg_shdepend
            WHERE refclassid = 'pg_authid'::regclass AND refobjid = %(app)s::regrole AND deptype = 'o'
            AND dbid IN (0, (SELECT oid FROM pg_database WHERE datname = current_database()))
        UNION ALL SELECT 'create on schema public' WHERE has_schema_privilege(%(app)s, 'public', 'create')
        UNION ALL SELECT 'set session_replication_role'
            WHERE has_parameter_privilege(%(app)s, 'session_replication_role', 'set')
        UNION ALL SELECT 'truncate, trigger, references or maintain on ' || oid::regclass FROM pg_class
            WHERE relkind IN ('r', 'p') AND relnamespace = 'public'::regnamespace
            AND has_table_privilege(%(app)s, oid, 'truncate,trigger,references,maintain')""",
    "tenant table open to every role": """
        SELECT t.oid::regclass::text FROM <tenant> t
        WHERE has_table_privilege('public', t.oid, 'select,insert,update,delete')""",
    "append-only table that may be changed, or lacks a trigger": """
        SELECT t.rel::text FROM (
            SELECT DISTINCT tgrelid::regclass AS rel FROM pg_trigger
            WHERE tgname LIKE 'append_only%%') t
        WHERE has_table_privilege(%(app)s, t.rel, 'update,delete,truncate')
           OR has_any_column_privilege(%(app)s, t.rel, 'update')
           OR 2 <> (SELECT count(*) FROM pg_trigger g
                    WHERE g.tgrelid = t.rel AND g.tgname LIKE 'append_only%%' AND g.tgenabled IN ('O', 'A')
                      AND g.tgfoid = 'public.append_only'::regproc)""",
    "trigger that is switched off": """
        SELECT tgrelid::regclass || ' ' || tgname FROM pg_trigger
        WHERE NOT tgisinternal AND tgenabled NOT IN ('O', 'A')""",
    "function that runs as its owner and is not on the list": """
        SELECT oid::regprocedure::text FROM pg_proc
        WHERE prosecdef AND pronamespace = 'public'::regnamespace AND NOT proname = ANY (%(definers)s)""",
    "function that runs as its owner without a fixed search_path, or open to every role": """
        SELECT oid::regprocedure::text FROM pg_proc
        WHERE prosecdef AND pronamespace = 'public'::regnamespace AND (
            NOT EXISTS (SELECT FROM unnest(proconfig) x WHERE x LIKE 'search_path=%%')
            OR has_function_privilege('public', oid, 'execute'))""",
    "view without security_invoker, or materialized view": """
        SELECT oid::regclass::text FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND (relkind = 'm' OR relkind = 'v' AND NOT coalesce(
            reloptions && '{security_invoker=true,security_invoker=on,security_invoker=1}'::text[],
            false))""",
    "schema besides public that the serving role may use": """
        SELECT nspname::text FROM pg_namespace
        WHERE nspname <> 'public' AND nspname <> 'information_schema' AND left(nspname, 3) <> 'pg_'
          AND has_schema_privilege(%(app)s, oid, 'usage')""",
    "table without company_id that is not on the list": """
        SELECT c.oid::regclass::text FROM pg_class c
        WHERE c.relkind IN ('r', 'p', 'f') AND c.relnamespace = 'public'::regnamespace
          AND NOT c.relname = ANY (%(tables)s) AND NOT EXISTS (SELECT FROM <tenant> t WHERE t.oid = c.oid)""",
}

RULES = {rule: query.replace("<tenant>", TENANT) for rule, query in _TEMPLATES.items()}
