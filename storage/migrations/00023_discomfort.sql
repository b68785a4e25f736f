-- Which events report discomfort, so that the time until water came can be asked for
-- without opening every session. Old rows keep NULL, which means "not known", until
-- "maintain recompute-columns" has filled it: bodies are sealed.

-- +goose Up
alter table session_events add column discomfort boolean;
create index session_events_of_discomfort on session_events (chain, parent) where discomfort is distinct from false;
