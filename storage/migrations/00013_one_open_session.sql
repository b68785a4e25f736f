-- One open session per client, apart from those that were recorded beside another.
-- Only the beginning of a session claims the place: sessions from before this
-- migration have none, and a client with several open ones keeps them all.

-- +goose Up
alter table sessions add column sole boolean;
create unique index sessions_sole on sessions (chain, parent) where sole;

-- +goose StatementBegin
create function keep_sole() returns trigger language plpgsql set search_path = alkalog, pg_temp as $$
begin
	new.sole := old.sole and new.sole;
	return new;
end $$;
-- +goose StatementEnd
create trigger keep_sole before update on sessions for each row execute function keep_sole();
alter table sessions enable always trigger keep_sole;
