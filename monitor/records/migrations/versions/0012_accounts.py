"""Accounts with their sites, sessions and tokens.

Revision ID: 0012
"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    counter = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "accounts",
        sa.Column("id", counter, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("name_key", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("all_sites", sa.Boolean(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("created_by", sa.Text(), nullable=False),
        sa.Column("disabled_ms", sa.BigInteger(), nullable=True),
        sa.Column("signed_in_ms", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("role IN ('look', 'attend', 'manage')", name=op.f("ck_accounts_role")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_accounts")),
        sa.UniqueConstraint("name_key", name=op.f("uq_accounts_name_key")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "account_sites",
        sa.Column("account_id", counter, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_account_sites_account_id")),
        sa.ForeignKeyConstraint(["site"], ["sites.site"], name=op.f("fk_account_sites_site")),
        sa.PrimaryKeyConstraint("account_id", "site", name=op.f("pk_account_sites")),
    )
    op.create_table(
        "sessions",
        sa.Column("id_hash", sa.Text(), nullable=False),
        sa.Column("account_id", counter, nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("used_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_sessions_account_id")),
        sa.PrimaryKeyConstraint("id_hash", name=op.f("pk_sessions")),
    )
    op.create_index(op.f("ix_sessions_account_id"), "sessions", ["account_id"])
    op.create_table(
        "api_tokens",
        sa.Column("id", counter, nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("account_id", counter, nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("used_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["account_id"], ["accounts.id"], name=op.f("fk_api_tokens_account_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_tokens")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_api_tokens_token_hash")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_api_tokens_account_id"), "api_tokens", ["account_id"])
