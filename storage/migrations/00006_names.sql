-- What triggers look for is in this schema. Every session has a schema of its own
-- for what is temporary, which by default comes before all others: a table there
-- with a name of ours would be taken for ours, and a refusal could be committed
-- with an entry that is gone when the session ends.

-- +goose Up
-- +goose StatementBegin
do $$
declare f record;
begin
	for f in select oid::regprocedure as name from pg_proc where pronamespace = 'alkalog'::regnamespace and prorettype = 'trigger'::regtype loop
		execute format('alter function %s set search_path = alkalog, pg_temp', f.name);
	end loop;
end $$;
-- +goose StatementEnd
