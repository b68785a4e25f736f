-- Records of clients are stored sealed with a key of the client's own. To erase a
-- client is to delete the client's row in client_keys.

-- +goose Up
-- +goose StatementBegin
do $$
begin
	if exists (select from clients) then
		raise exception 'this database holds records of clients in clear, which no release has written; begin with an empty one';
	end if;
end $$;
-- +goose StatementEnd

-- The keys of clients, wrapped with the server's own. They lie here and nowhere
-- else; keep backups of this table no longer than erased clients may come back.
create table client_keys (
	chain id not null, client id not null,
	version text  not null, -- of the key that it is wrapped with
	wrapped bytea not null,
	primary key (chain, client)
);
create index client_keys_by_version on client_keys (chain, version);

-- What clients are found by: keyed digests of names and contacts.
create table client_index (
	chain id not null, field id not null, hash bytea not null, client id not null,
	primary key (chain, field, hash, client)
);
create index client_index_by_client on client_index (chain, client);

-- What is sealed does not compress.
alter table clients alter column body set storage external;
alter table consultations alter column body set storage external;
alter table decisions alter column body set storage external;
alter table overrides alter column body set storage external;
alter table sessions alter column body set storage external;
alter table session_events alter column body set storage external;
alter table outcomes alter column body set storage external;

-- Whose key a request and its answer are sealed with; NULL: they are in clear,
-- and hold nothing of a client's.
alter table requests add column client id;
-- Requests are purged in the order in which they were made, which is nearly that
-- in which they lie.
create index requests_by_time on requests using brin (chain, claim_time) with (pages_per_range = 32, autosummarize = on);

-- Answered requests are remembered for a time only. None is forgotten within a
-- day, whatever the server is told.
-- +goose StatementBegin
create function refuse_early_purge() returns trigger language plpgsql as $$
begin
	if old.claim_time > clock_timestamp() - interval '1 day' then
		raise exception 'delete on requests refused: what was asked within a day is never changed' using errcode = 'insufficient_privilege';
	end if;
	return old;
end $$;
-- +goose StatementEnd
drop trigger refuse_change on requests;
create trigger refuse_change before update or truncate on requests for each statement execute function refuse_change();
create trigger refuse_early_purge before delete on requests for each row execute function refuse_early_purge();
alter table requests enable always trigger refuse_change;
alter table requests enable always trigger refuse_early_purge;

grant select, insert, update, delete on client_keys to alkalog_server;
grant select, insert, delete on client_index to alkalog_server;
grant delete on requests to alkalog_server;
