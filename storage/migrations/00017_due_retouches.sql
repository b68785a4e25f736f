-- What a salon's till asks for in the morning: retouches that are due and sessions
-- that are open. Outcomes from before this migration have neither column: run
-- "maintain recompute-columns" for the time of the retouch; the salon stays NULL,
-- and the list then looks at the session.

-- +goose Up
alter table outcomes add column salon text, add column retouch_time timestamptz;
create index outcomes_due on outcomes (chain, salon, retouch_time) where retouch_time is not null;
