{{- /* One rule of egress: the argument is [peers, ports]; no peers is anywhere. */ -}}
{{- define "fhirsvc.egress" -}}
{{- $peers := index . 0 -}}
- ports:
  {{- range index . 1 | uniq }}
    - {protocol: TCP, port: {{ . }}}
  {{- end }}
  {{- with $peers }}
  to: {{- toYaml . | nindent 4 }}
  {{- end }}
{{- end -}}

{{- /* Names are asked for over UDP, and over TCP where the answer is long (RFC 7766). */ -}}
{{- define "fhirsvc.egressDNS" -}}
- ports:
    - {protocol: UDP, port: 53}
    - {protocol: TCP, port: 53}
  {{- with .Values.networkPolicy.to.dns }}
  to: {{- toYaml . | nindent 4 }}
  {{- end }}
{{- end -}}

{{- define "fhirsvc.egressDatabase" -}}
{{ include "fhirsvc.egress" (list .Values.networkPolicy.to.database (list .Values.networkPolicy.databasePort)) }}
{{- end -}}

{{- /* The ports of a list of URLs with commas between, as a JSON list under "ports". */ -}}
{{- define "fhirsvc.ports" -}}
{{- $standard := dict "nats" "4222" "tls" "4222" "ws" "80" "wss" "443" "http" "80" "https" "443" -}}
{{- $ports := list -}}
{{- range splitList "," . -}}
{{- $url := urlParse (trim .) -}}
{{- $port := regexFind ":[0-9]+$" $url.host | trimPrefix ":" -}}
{{- $ports = append $ports ($port | default (get $standard $url.scheme) | int) -}}
{{- end -}}
{{- dict "ports" $ports | toJson -}}
{{- end -}}
