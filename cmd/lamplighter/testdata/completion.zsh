#compdef lamplighter
# Completion for lamplighter in zsh.
_lamplighter() {
  local before=("${(@)words[2,CURRENT-1]}")
  local -a choices
  local at="" word
  for word in "${before[@]}"; do
    case "$at $word" in
      " demo") at="demo" ;;
      " serve") at="serve" ;;
      " plan") at="plan" ;;
      " check") at="check" ;;
      " fairness") at="fairness" ;;
      " capacity") at="capacity" ;;
      " simulate") at="simulate" ;;
      " tones") at="tones" ;;
      " fleet") at="fleet" ;;
      "fleet apply") at="fleet apply" ;;
      "fleet diff") at="fleet diff" ;;
      "fleet show") at="fleet show" ;;
      " fit") at="fit" ;;
      " status") at="status" ;;
      " report") at="report" ;;
      " who") at="who" ;;
      " heard") at="heard" ;;
      "heard import") at="heard import" ;;
      "heard unmatched") at="heard unmatched" ;;
      "heard corrections") at="heard corrections" ;;
      " alerts") at="alerts" ;;
      "alerts list") at="alerts list" ;;
      "alerts ack") at="alerts ack" ;;
      "alerts silence") at="alerts silence" ;;
      "alerts silences") at="alerts silences" ;;
      "alerts unsilence") at="alerts unsilence" ;;
      "alerts test") at="alerts test" ;;
      " hush") at="hush" ;;
      " release") at="release" ;;
      " agent-config") at="agent-config" ;;
      " enrol") at="enrol" ;;
      " devices") at="devices" ;;
      " revoke") at="revoke" ;;
      " readmit") at="readmit" ;;
      " login") at="login" ;;
      " people") at="people" ;;
      "people list") at="people list" ;;
      "people add") at="people add" ;;
      "people change") at="people change" ;;
      "people end") at="people end" ;;
      "people reset") at="people reset" ;;
      "people password") at="people password" ;;
      " token") at="token" ;;
      "token create") at="token create" ;;
      "token list") at="token list" ;;
      "token revoke") at="token revoke" ;;
      " duty") at="duty" ;;
      "duty show") at="duty show" ;;
      "duty start") at="duty start" ;;
      "duty confirm") at="duty confirm" ;;
      "duty end") at="duty end" ;;
      "duty add") at="duty add" ;;
      "duty remove") at="duty remove" ;;
      " audit") at="audit" ;;
      "audit list") at="audit list" ;;
      "audit verify") at="audit verify" ;;
      " backup") at="backup" ;;
      " restore") at="restore" ;;
      " version") at="version" ;;
      " completion") at="completion" ;;
      *) ;;
    esac
  done
  case "$at" in
    "") choices=(demo serve plan check fairness capacity simulate tones fleet fit status report who heard alerts hush release agent-config enrol devices revoke readmit login people token duty audit backup restore version completion --help) ;;
    "demo") choices=(--help --dir --http --for --agents) ;;
    "serve") choices=(--help --dir --database --broker --grpc --http --mqtt --fleet --health-days --open-on-loopback --openid-issuer --openid-client --openid-secret-file --public-url --tls --tls-certificate --tls-key --host --devices --agents-broker --verbose) ;;
    "plan") choices=(--help --from --to --history --previous --taken --explain --out) ;;
    "check") choices=(--help --history --previous --taken --output --figures) ;;
    "fairness") choices=(--help --history --output) ;;
    "capacity") choices=(--help --from --to --output) ;;
    "simulate") choices=(--help --days --seeds --seed --faults --start --output) ;;
    "tones") choices=(--help) ;;
    "fleet") choices=(apply diff show --help) ;;
    "fleet apply") choices=(--help --authority --server --output --based-on) ;;
    "fleet diff") choices=(--help --authority --server --output) ;;
    "fleet show") choices=(--help --authority --server --out) ;;
    "fit") choices=(--help --authority --server --output --by) ;;
    "status") choices=(--help --authority --server --output) ;;
    "report") choices=(--help --week --from --to --site --beacon --format --out --authority --server) ;;
    "who") choices=(--help --at --freq --within --near --signed --output --authority --server) ;;
    "heard") choices=(import unmatched corrections --help) ;;
    "heard import") choices=(--help --form --authority --server) ;;
    "heard unmatched") choices=(--help --from --to --authority --server --output) ;;
    "heard corrections") choices=(--help --from --to --authority --server --output) ;;
    "alerts") choices=(list ack silence silences unsilence test --help) ;;
    "alerts list") choices=(--help --authority --server --output --all) ;;
    "alerts ack") choices=(--help --authority --server --reason) ;;
    "alerts silence") choices=(--help --authority --server --condition --site --beacon --for --reason) ;;
    "alerts silences") choices=(--help --authority --server --output) ;;
    "alerts unsilence") choices=(--help --authority --server) ;;
    "alerts test") choices=(--help --authority --server --recipient --reason) ;;
    "hush") choices=(--help --authority --server --site --beacon --band --reason --output --regulator --until) ;;
    "release") choices=(--help --authority --server --site --beacon --band --reason) ;;
    "agent-config") choices=(--help --authority --server --out) ;;
    "enrol") choices=(--help --authority --server --replace) ;;
    "devices") choices=(--help --authority --server --output --events) ;;
    "revoke") choices=(--help --authority --server --reason) ;;
    "readmit") choices=(--help --authority --server) ;;
    "login") choices=(--help --authority --server --lasts --password-file --new-password-file) ;;
    "people") choices=(list add change end reset password --help) ;;
    "people list") choices=(--help --authority --server --output) ;;
    "people add") choices=(--help --authority --server --role --sites --contact --openid) ;;
    "people change") choices=(--help --authority --server --role --sites --contact --openid) ;;
    "people end") choices=(--help --authority --server) ;;
    "people reset") choices=(--help --authority --server) ;;
    "people password") choices=(--help --authority --server --password-file --new-password-file) ;;
    "token") choices=(create list revoke --help) ;;
    "token create") choices=(--help --authority --server --role --lasts) ;;
    "token list") choices=(--help --authority --server --output) ;;
    "token revoke") choices=(--help --authority --server) ;;
    "duty") choices=(show start confirm end add remove --help) ;;
    "duty show") choices=(--help --authority --server --output) ;;
    "duty start") choices=(--help --authority --server --lasts) ;;
    "duty confirm") choices=(--help --authority --server) ;;
    "duty end") choices=(--help --authority --server) ;;
    "duty add") choices=(--help --authority --server --person --from --until) ;;
    "duty remove") choices=(--help --authority --server) ;;
    "audit") choices=(list verify --help) ;;
    "audit list") choices=(--help --authority --server --output --person --action --site --outcome --text --since --until --before --most) ;;
    "audit verify") choices=(--help --authority --server --noted) ;;
    "backup") choices=(--help --dir --database) ;;
    "restore") choices=(--help --dir --database) ;;
    "version") choices=(--help --output) ;;
    "completion") choices=(--help) ;;
  esac
  compadd -a choices
  _files
}
if [[ "${funcstack[1]}" == _lamplighter ]]; then # loaded from fpath when first needed
  _lamplighter "$@"
else
  compdef _lamplighter lamplighter
fi
