#!/usr/bin/env bash
# Plays the visit of a file with curl and jq, by the paths of HTTP that the contract states.
# It shows what goes over the wire; a till of a salon also keeps facts while there is no
# network, as the other examples do.
#
#   ADDRESS=127.0.0.1:7421 AUTHORITY=authority.crt CERTIFICATE=till.crt KEY=till.key \
#     proto/examples/curl/visit.sh proto/examples/visit.json
set -euo pipefail

visit=$(cat "$1")
ask() { jq -r "$@" <<<"$visit"; }
new_id() { cat /proc/sys/kernel/random/uuid; }
now() { date -u +%Y-%m-%dT%H:%M:%S.%NZ; }

# post PATH: sends the body on standard input, with a request id of its own. curl repeats a
# call that gets no answer, or 429, 503 or 504, with the same body and so the same id.
post() {
	jq -c --arg id "$(new_id)" '. + {requestId: $id}' | curl --silent --show-error --fail-with-body \
		--cacert "$AUTHORITY" --cert "$CERTIFICATE" --key "$KEY" \
		--max-time 10 --retry 20 --retry-connrefused --retry-max-time 60 \
		--header 'content-type: application/json' --header 'alkalog-revision: 2' --header 'alkalog-till-version: 1.0.0' \
		--data-binary @- "https://$ADDRESS/v1/$1"
}

# The consultation of the file, with its times.
form=$(ask --argjson now "$(date +%s)" '. as $visit | reduce (.hours_ago | to_entries[]) as $e (.consultation;
	setpath($e.key | split("."); $now - 3600 * $e.value | todate))')

client=$(ask '{client}' | post "$(ask .parent)/clients" | jq -r .client.name)
consultation=$(jq '{consultation: .}' <<<"$form" | post "$client/consultations" | jq -c .consultation)
jq '{etag}' <<<"$consultation" | post "$(jq -r .name <<<"$consultation"):submit" >/dev/null
decision=$(ask --argjson c "$consultation" '.check + {consultation: $c.name}' | post "$client/decisions:check" | jq -c .decision)
jq -r '.standingVerdict, (.findings[] | "  finding: " + .message), (.cautions[] | "  caution: " + .)' <<<"$decision"
case $(jq -r .standingVerdict <<<"$decision") in VERDICT_PROCEED*) ;; *) exit 0 ;; esac

started=$(jq --arg now "$(now)" '{decision: .name, sendTime: $now}' <<<"$decision" | post "$client/sessions:start")
session=$(jq -r .session.name <<<"$started")
echo "service: $session"
jq -r '.timeSheet.sections[] | "  times: " + .text' <<<"$started"

# report: sends the facts on standard input, a line each, and shows the alarms. The echo lets
# the server measure the clock of this machine.
server_time=$(jq -r .serverTime <<<"$started") received=$(now) at=$(date +%s%3N)
report() {
	local events answer
	events=$(while read -r fact; do jq -c --arg id "$(new_id)" --arg now "$(now)" '. + {eventId: $id, occurTime: $now}' <<<"$fact"; done | jq -cs .)
	answer=$(jq -n --argjson events "$events" --arg now "$(now)" --arg server "$server_time" --arg received "$received" --argjson elapsed "$(($(date +%s%3N) - at))" \
		'{events: $events, sendTime: $now, echo: {serverTime: $server, receiveTime: $received, elapsedMs: $elapsed}}' | post "$session:recordEvents")
	server_time=$(jq -r .serverTime <<<"$answer") received=$(now) at=$(date +%s%3N)
	jq -r '.results[] | select(.status == "EVENT_STATUS_REJECTED") | "  not recorded: " + .reason' <<<"$answer"
	jq -r '.state.alarms[]? | "  alarm: " + .kind + " " + .message' <<<"$answer"
}

for word in $(ask '.taps[]'); do
	case $word in
	close) ;;
	conditions) report < <(jq -c '.session.conditions[] | select(.beforeContact) | {conditionMet: {ruleId, subject}}' <<<"$started") ;;
	*) report < <(ask -c --arg word "$word" '.facts[$word]') ;;
	esac
done

ask --arg session "$session" '{outcome: (.outcome + {session: $session})}' | post "$client/outcomes" | jq -r '"outcome: " + (.outcome.brokenOffReason // "completed")'
