-- Sessions are found by the key of a lot, in which case, blanks, dashes and
-- look-alikes do not count. The keys of lots that are recorded already are added
-- beside the old ones. Codes with other than ASCII letters keep the old key only,
-- which is looked up too.

-- +goose Up
alter table session_uses no force row level security;
insert into session_uses (chain, used, parent, session)
	select chain, split_part(used, ' ', 1) || ' ' || key, parent, session
	from (select *, translate(regexp_replace(upper(substr(used, strpos(used, ' ') + 1)), '[^A-Z0-9]', '', 'g'), 'OIL', '011') as key
		from session_uses where used like '% %') as lots
	where key <> '' and substr(used, strpos(used, ' ') + 1) ~ '^[ -~]*$'
	on conflict do nothing;
alter table session_uses force row level security;
