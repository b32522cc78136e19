# shellcheck shell=sh
# Sourced: `settings FILE` takes a file of settings as systemd reads it. Nothing in a value means
# anything to the shell: an address may hold & and a password $.
settings() {
    while read -r line || [ -n "$line" ]; do
        case $line in
            [A-Za-z_]*=*) value=${line#*=} ;;
            *) continue ;;
        esac
        case $value in
            \"*\") value=${value#\"} value=${value%\"} ;;
            \'*\') value=${value#\'} value=${value%\'} ;;
        esac
        export "${line%%=*}=$value"
    done <"$1"
}

# The businesses on this machine, by the name that their units, user, data folder and settings have:
# the first is loombook, another loombook-WORD.
books() {
    echo loombook
    for one in /etc/loombook-*.env; do
        case $one in
            *-owner.env | "/etc/loombook-*.env") ;;
            *) basename "$one" .env ;;
        esac
    done
}
