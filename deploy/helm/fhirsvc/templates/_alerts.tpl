{{- /* Each alert: what is wrong, what makes it true, and of what kind its value is, if it says
anything. The gauges are read from the database, so that every replica tells the same: max, not
sum. docs/runbook.md has a section for each, and deploy/helm/alerts its tests. */ -}}
{{- define "fhirsvc.alerts" -}}
{{- $of := printf "job=%q,namespace=%q" (include "fhirsvc.fullname" .) .Release.Namespace -}}
{{- with .Values.prometheusRule -}}
- alert: FhirsvcAway
  severity: critical
  for: 2m
  summary: no replica answers
  expr: absent(up{ {{- $of }}} == 1)
- alert: FhirsvcReplicaAway
  severity: warning
  for: 10m
  summary: a replica does not answer
  value: instance
  expr: up{ {{- $of }}} == 0
- alert: FhirsvcTasksLate
  severity: critical
  for: 1m
  summary: the oldest overdue Task is more than {{ .oldestOverdueSeconds }} s overdue
  value: seconds
  expr: max(fhirsvc_oldest_overdue_seconds{ {{- $of }}}) > {{ .oldestOverdueSeconds }}
- alert: FhirsvcManyTasksLate
  severity: warning
  for: 5m
  summary: more than {{ .tasksOverdue }} Tasks are overdue
  value: count
  expr: sum(max without (instance, pod) (fhirsvc_tasks_overdue{ {{- $of }}})) > {{ .tasksOverdue }}
- alert: FhirsvcSchedulerLate
  severity: critical
  for: 2m
  summary: due times are acted on more than {{ .schedulerLagSeconds }} s late
  value: seconds
  expr: histogram_quantile(0.99, sum by (le) (rate(fhirsvc_scheduler_lag_seconds_bucket{ {{- $of }}}[5m]))) > {{ .schedulerLagSeconds }}
- alert: FhirsvcDueTimesWait
  severity: critical
  for: 2m
  summary: an episode waits for more than {{ .dueOldestSeconds }} s to be told that its time has come
  value: seconds
  expr: max(fhirsvc_due_oldest_seconds{ {{- $of }}}) > {{ .dueOldestSeconds }}
- alert: FhirsvcEventsLate
  severity: warning
  for: 5m
  summary: procedure events take more than {{ .eventLagSeconds }} s to the record
  value: seconds
  expr: histogram_quantile(0.99, sum by (le) (rate(fhirsvc_event_lag_seconds_bucket{ {{- $of }}}[5m]))) > {{ .eventLagSeconds }}
- alert: FhirsvcEventsRefused
  severity: critical
  for: 0m
  summary: a procedure event was refused, and its patient may have no plan
  # A series begins with its first refusal, and has not increased by then.
  expr: >-
    sum(increase(fhirsvc_events_consumed_total{ {{- $of }},outcome="refused"}[15m])) > 0
    or sum(fhirsvc_events_consumed_total{ {{- $of }},outcome="refused"}
    unless fhirsvc_events_consumed_total{ {{- $of }},outcome="refused"} offset 15m) > 0
- alert: FhirsvcQuarantined
  severity: critical
  for: 0m
  summary: an input that the service failed on is kept aside
  value: count
  expr: max(fhirsvc_quarantined{ {{- $of }}}) > 0
- alert: FhirsvcOutboxOld
  severity: warning
  for: 5m
  summary: changes wait for more than {{ .outboxOldestSeconds }} s to be told
  value: destination
  expr: max by (destination) (fhirsvc_outbox_oldest_seconds{ {{- $of }}}) > {{ .outboxOldestSeconds }}
- alert: FhirsvcErrors
  severity: critical
  for: 5m
  summary: more than {{ .errorRatio }} of the requests fail by the service's fault
  value: share
  expr: >-
    sum(rate(http_server_request_duration_seconds_count{ {{- $of }},code=~"5.."}[5m]))
    / sum(rate(http_server_request_duration_seconds_count{ {{- $of }}}[5m])) > {{ .errorRatio }}
- alert: FhirsvcSlow
  severity: warning
  for: 10m
  summary: one request of a hundred takes more than {{ .latencySeconds }} s
  value: seconds
  expr: histogram_quantile(0.99, sum by (le) (rate(http_server_request_duration_seconds_bucket{ {{- $of }}}[5m]))) > {{ .latencySeconds }}
{{- end -}}
{{- end -}}
