{{- define "fhirsvc.fullname" -}}
{{- if contains .Chart.Name .Release.Name -}}
{{- .Release.Name | trunc 52 | trimSuffix "-" -}}
{{- else -}}
{{- printf "%s-%s" .Release.Name .Chart.Name | trunc 52 | trimSuffix "-" -}}
{{- end -}}
{{- end -}}

{{- define "fhirsvc.selector" -}}
app.kubernetes.io/name: {{ .Chart.Name }}
app.kubernetes.io/instance: {{ .Release.Name }}
{{- end -}}

{{- define "fhirsvc.labels" -}}
{{ include "fhirsvc.selector" . }}
app.kubernetes.io/version: {{ .Chart.AppVersion | quote }}
app.kubernetes.io/managed-by: {{ .Release.Service }}
helm.sh/chart: {{ printf "%s-%s" .Chart.Name .Chart.Version }}
{{- end -}}

{{- /* The pods that are no replicas (the migration, the test) have a name of their own, so
that the Service never sends them a request: the argument is [context, name]. */ -}}
{{- define "fhirsvc.besides" -}}
{{- $root := index . 0 -}}
app.kubernetes.io/name: {{ $root.Chart.Name }}-{{ index . 1 }}
app.kubernetes.io/instance: {{ $root.Release.Name }}
{{- end -}}

{{- define "fhirsvc.image" -}}
{{- with .Values.image -}}
{{ .repository }}{{ if .digest }}@{{ .digest }}{{ else }}:{{ .tag | default $.Chart.AppVersion }}{{ end }}
{{- end -}}
{{- end -}}

{{- define "fhirsvc.protocols" -}}
{{- if .Values.protocols.existingConfigMap -}}
{{- if .Values.protocols.files }}{{ fail "set either protocols.existingConfigMap or protocols.files, not both" }}{{ end -}}
{{- .Values.protocols.existingConfigMap -}}
{{- else -}}
{{- printf "%s-protocols" (include "fhirsvc.fullname" .) -}}
{{- end -}}
{{- end -}}

{{- /* No root, nothing to write to, no capability: the same for every container. */ -}}
{{- define "fhirsvc.podSecurity" -}}
runAsNonRoot: true
runAsUser: 65532
runAsGroup: 65532
fsGroup: 65532
seccompProfile:
  type: RuntimeDefault
{{- end -}}

{{- define "fhirsvc.containerSecurity" -}}
allowPrivilegeEscalation: false
readOnlyRootFilesystem: true
capabilities:
  drop: [ALL]
{{- end -}}

{{- /* The service and its migration read the same configuration. */ -}}
{{- define "fhirsvc.env" -}}
- name: FHIRSVC_DATABASE_URL
  valueFrom:
    secretKeyRef:
      name: {{ required "database.existingSecret: the Secret with the database's URL" .Values.database.existingSecret }}
      key: {{ .Values.database.key }}
- name: FHIRSVC_CANONICAL_BASE
  value: {{ required "config.canonicalBase: the base of what the site writes itself" .Values.config.canonicalBase | quote }}
- name: FHIRSVC_LOG_LEVEL
  value: {{ .Values.config.logLevel | quote }}
{{- with .Values.goMemoryLimit }}
- name: GOMEMLIMIT
  value: {{ . | quote }}
{{- end }}
{{- end -}}

{{- /* Where a pod may run, and who fetches its image: the same for every pod. */ -}}
{{- define "fhirsvc.placement" -}}
{{- with .Values.imagePullSecrets }}
imagePullSecrets: {{- toYaml . | nindent 2 }}
{{- end }}
{{- with .Values.priorityClassName }}
priorityClassName: {{ . }}
{{- end }}
{{- with .Values.nodeSelector }}
nodeSelector: {{- toYaml . | nindent 2 }}
{{- end }}
{{- with .Values.tolerations }}
tolerations: {{- toYaml . | nindent 2 }}
{{- end }}
{{- with .Values.affinity }}
affinity: {{- toYaml . | nindent 2 }}
{{- end }}
{{- end -}}

{{- /* How probes reach the pod. */ -}}
{{- define "fhirsvc.scheme" -}}
{{- if .Values.tls.existingSecret }}HTTPS{{ else }}HTTP{{ end -}}
{{- end -}}

{{- /* Who may call, where tokens say so. */ -}}
{{- define "fhirsvc.smart" -}}
- name: FHIRSVC_ISSUER
  value: {{ required "config.issuer: whose tokens are taken" .Values.config.issuer | quote }}
- name: FHIRSVC_AUDIENCE
  value: {{ required "config.audience: what the tokens' aud must name" .Values.config.audience | quote }}
- name: FHIRSVC_TOKEN_URL
  value: {{ required "config.tokenURL: where clients get tokens" .Values.config.tokenURL | quote }}
{{- if .Values.jwks.existingConfigMap }}
{{- if .Values.config.jwksURL }}{{ fail "set either jwks.existingConfigMap or config.jwksURL, not both" }}{{ end }}
- name: FHIRSVC_JWKS_FILE
  value: /etc/fhirsvc/jwks/{{ .Values.jwks.key }}
{{- else }}
- name: FHIRSVC_JWKS_URL
  value: {{ required "config.jwksURL: where the issuer's keys are" .Values.config.jwksURL | quote }}
{{- end }}
- name: FHIRSVC_UNITS_CLAIM
  value: {{ .Values.config.unitsClaim | quote }}
- name: FHIRSVC_REQUESTS_PER_SECOND
  value: {{ .Values.config.requestsPerSecond | quote }}
{{- end -}}
