-- What is taken over from other systems: imports and how far each is, the imported
-- records, sealed with the client's key, and the ids that things have elsewhere.

-- +goose Up
create table imports (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, write_id id,
	primary key (chain, parent, id)
);
create table imported_records (
	chain id not null, parent id not null, id id not null, etag text not null, body bytea not null, write_id id,
	primary key (chain, parent, id)
);
alter table imported_records alter column body set storage external;
create trigger refuse_change before update or delete or truncate on imported_records for each statement execute function refuse_change();
alter table imported_records enable always trigger refuse_change;

-- Keyed digests of external ids, which are unique in a chain, and of what the source
-- said of them. They go with the client: see storage/externalids.go.
create table external_ids (
	chain id not null, field id not null, hash bytea not null,
	client  id    not null,
	record  id    not null, -- of the client's record; empty: the client itself
	content bytea not null, -- empty: not imported
	primary key (chain, field, hash)
);
create index external_ids_by_client on external_ids (chain, client);

call raise_wall('imports');
call raise_wall('imported_records');
call raise_wall('external_ids');
grant select, insert, update on imports to alkalog_server;
grant select, insert on imported_records to alkalog_server;
grant select, insert, delete on external_ids to alkalog_server;
