-- Figures of practitioners: decisions that rest on answers which changed after a
-- refusal, and checks that stored no decision (what-ifs).

-- +goose Up
alter table tally_decisions add column changed boolean not null default false;
alter table tally_figures
	add column answers_changed bigint not null default 0, -- decisions that rest on such answers
	add column what_ifs        bigint not null default 0; -- see storage/whatifs.go

-- What is on the log already is counted too. The entry itself was counted, or is in
-- the queue; telling of the decision twice changes nothing.
-- +goose StatementBegin
do $$
begin
	alter table audit_entries no force row level security;
	alter table tally_queue no force row level security;
	insert into tally_queue (chain, fact, decision)
		select chain, 'changed', split_part(decision, '/', 6) from audit_entries
		where kind = 'ENTRY_KIND_ANSWER_CHANGED' and decision is not null order by position;
	alter table audit_entries force row level security;
	alter table tally_queue force row level security;
end $$;
-- +goose StatementEnd
