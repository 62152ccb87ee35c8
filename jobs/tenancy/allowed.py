"""The tables that belong to no company, in one place. The checks and the audit know no others."""

# Models (lower-case labels) whose rows are shared by all companies.
GLOBAL_MODELS = frozenset(
    {
        "admin.logentry",
        "auth.group",
        "auth.group_permissions",
        "auth.permission",
        "contenttypes.contenttype",
        "sessions.session",
        "jobs.user",  # a person may belong to several companies
        "jobs.affiliation",  # leads from a person to their companies, before one is known
        "jobs.secondfactor",  # a person's, asked for before any company is known
        "jobs.recoverycode",  # the same
        "jobs.signin",  # one browser may go through several of a person's companies
        "jobs.signinfailure",  # of a person, or of nobody; the companies are told from it
        "jobs.tombstone",  # that a company was here; written when nothing else of it is left
        "jobs.duecompany",  # leads the sweeper to companies with due work
    }
)

# Global models that tenant tables may point at; each would have to be copied to every node.
REFERENCE_MODELS: frozenset[str] = frozenset()

# Tables that no model describes.
OTHER_TABLES = frozenset({"django_migrations"})

# Functions that run with their owner's rights.
DEFINER_FUNCTIONS: frozenset[str] = frozenset(
    {
        "remove_company",  # its last step: the requests, people, the company's own row; leaves a tombstone
        "remove_company_rows",  # deletes rows of the current company once its removal is due, else nothing
    }
)
