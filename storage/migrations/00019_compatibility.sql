-- Which servers may write. A migration that only adds leaves servers of older
-- schema versions at work beside new ones; one that takes something away, or demands
-- something new, raises the minimum. See the recipe "A migration" in DEVELOPERS.md.
-- Servers write a new format only when every server that may write can read it.

-- +goose Up
create table schema_compatibility (
	only_row          boolean primary key default true check (only_row),
	min_server_schema bigint  not null -- the oldest schema version whose servers may write
);
insert into schema_compatibility (min_server_schema) values (18); -- servers of 18 know nothing of this table
create trigger refuse_loss before delete or truncate on schema_compatibility for each statement execute function refuse_change();
alter table schema_compatibility enable always trigger refuse_loss;

-- admit_server refuses a server that is too old. Every transaction that may write
-- begins with it, so that a server that runs while the schema is migrated writes
-- nothing under rules that it does not know.
-- +goose StatementBegin
create function admit_server(schema_version bigint) returns void language plpgsql stable as $$
declare least bigint;
begin
	select min_server_schema into strict least from alkalog.schema_compatibility;
	if schema_version < least then
		raise exception 'servers of schema version % may not write any more', schema_version using errcode = 'ALK01', detail = least;
	end if;
end $$;
-- +goose StatementEnd
grant select on schema_compatibility to alkalog_server, alkalog_keeper;
