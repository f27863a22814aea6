# syntax=docker/dockerfile:1
# letthrough in a container. The serial device is passed in, the runs live in a volume, the tokens
# come from secrets:
#
#   docker build -t letthrough .
#   docker run --rm --device /dev/ttyACM0 --group-add dialout \
#     -v letthrough-data:/data -p 127.0.0.1:8466:8466 \
#     --mount type=bind,src=$PWD/token,dst=/run/secrets/letthrough_token,ro \
#     letthrough --instrument 'shunt=text:/dev/ttyACM0?baud=115200&time=us'
#
# Inside a container the program cannot listen on loopback only, so it asks for a token.

FROM golang:1.26-bookworm AS build
RUN apt-get update && apt-get install -y --no-install-recommends nodejs npm && rm -rf /var/lib/apt/lists/*
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY static/package.json static/package-lock.json static/.npmrc static/
RUN cd static && npm ci --ignore-scripts --no-audit --no-fund
COPY . .
RUN make build

FROM debian:bookworm-slim
RUN apt-get update && apt-get install -y --no-install-recommends curl && rm -rf /var/lib/apt/lists/* \
 && useradd --system --uid 8466 --groups dialout --home-dir /data letthrough \
 && mkdir /data && chown letthrough /data
COPY --from=build /src/bin/letthrough /usr/local/bin/letthrough
USER letthrough
WORKDIR /data
VOLUME /data
EXPOSE 8466
HEALTHCHECK --interval=30s --timeout=3s CMD curl --fail --silent --show-error http://127.0.0.1:8466/healthz || exit 1
ENTRYPOINT ["letthrough", "serve", "--addr", "0.0.0.0:8466", "--db", "/data/letthrough.db", "--token-file", "/run/secrets/letthrough_token"]
