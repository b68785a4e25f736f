-- Closed sessions that were changed lately: what is reported after closing may call
-- for water that does not come.

-- +goose Up

create index sessions_closed on sessions (chain, update_time) where not open;
