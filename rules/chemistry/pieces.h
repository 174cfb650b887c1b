/* Work in pieces on several threads: whoever is free takes the next piece, the one who waits for it too. Pieces that
 * stand side by side are alike, so one thread takes them from the front, the next one from the back.
 *
 * Threads are started when they are first wanted and stay; a forked child, which has none of its parent's, starts its
 * own. One that comes too late for any piece is not waited for. Where there are no POSIX threads, whoever waits does
 * all of it.
 */
#ifndef POURCHECK_PIECES_H
#define POURCHECK_PIECES_H

#include <stdlib.h>
#include <string.h>

#if defined(__unix__) || defined(__APPLE__)
#include <pthread.h>
#include <unistd.h>
#define THREADS 1
#else
#define THREADS 0
#endif

#define MOST_THREADS 64
#define STACK 524288 /* bytes of a thread */

typedef struct Work Work;

/* A work begins with this. piece: does the k-th; first: whether the thread's room, of `room` bytes, is new to it. */
struct Work {
    void (*piece)(Work *, int k, char *room, int first);
    int pieces, next, end, left; /* from next to end nobody is at them yet; left: those that are not done */
    int threads, helped;         /* how many may help, and have */
    int rooms;                   /* that are taken, of one for each thread */
    size_t room;
    char *area;
    Work *other; /* that waits for help as well */
#if THREADS
    pthread_cond_t done;
    pid_t process; /* that began it */
#endif
};

#if THREADS
static struct {
    pthread_mutex_t lock;
    pthread_cond_t more;
    pid_t process;
    int threads;
    Work *first; /* of those that may be helped, the last begun */
} pool = {PTHREAD_MUTEX_INITIALIZER, PTHREAD_COND_INITIALIZER, 0, 0, NULL};
#define LOCK() pthread_mutex_lock(&pool.lock)
#define UNLOCK() pthread_mutex_unlock(&pool.lock)
#else
#define LOCK() (void)0
#define UNLOCK() (void)0
#endif

/* Does pieces until there are none; called with the lock held, and returns with it. */
static void do_pieces(Work *work) {
    char *room = NULL;
    int first = 1, back = 0;
    while (work->next < work->end) {
        if (room == NULL) back = work->rooms % 2, room = work->area + work->room * (size_t)work->rooms++;
        int k = back ? --work->end : work->next++;
        UNLOCK();
        work->piece(work, k, room, first);
        first = 0;
        LOCK();
        work->left--;
    }
#if THREADS
    if (work->left == 0 && work->threads) pthread_cond_signal(&work->done);
#endif
}

#if THREADS
static void *help(void *nothing) {
    LOCK();
    for (;;) {
        Work *work = pool.first;
        while (work && (work->next >= work->end || work->helped >= work->threads)) work = work->other;
        if (work) work->helped++, do_pieces(work);
        else pthread_cond_wait(&pool.more, &pool.lock);
    }
    return nothing;
}

/* So many threads at least, if they can be had; called with the lock held. */
static void start_threads(int threads) {
    pthread_attr_t how;
    if (pool.threads >= threads || pthread_attr_init(&how) != 0) return;
    pthread_attr_setdetachstate(&how, PTHREAD_CREATE_DETACHED);
    pthread_attr_setstacksize(&how, STACK);
    pthread_t one;
    while (pool.threads < threads && pthread_create(&one, &how, help, NULL) == 0) pool.threads++;
    pthread_attr_destroy(&how);
}

/* A child has none of its parent's threads, one of which may have held the lock. */
static void forked(void) {
    pthread_mutex_init(&pool.lock, NULL);
    pthread_cond_init(&pool.more, NULL);
    pool.process = getpid(), pool.threads = 0, pool.first = NULL;
}
#endif

/* Begins a work on so many further threads, as far as they can be had; 0 where there is no memory for it. */
static int begin_work(Work *work, int threads) {
    if (threads > MOST_THREADS) threads = MOST_THREADS;
    if (threads > work->pieces) threads = work->pieces;
    if (!THREADS || threads < 0) threads = 0;
    work->next = 0, work->end = work->left = work->pieces, work->rooms = work->helped = 0, work->threads = threads;
    work->area = malloc(work->room * (size_t)(threads + 1));
    if (work->area == NULL) return 0;
#if THREADS
    work->process = getpid();
    if (pool.process != work->process) forked();
    if (threads == 0) return 1;
    pthread_cond_init(&work->done, NULL);
    LOCK();
    start_threads(threads);
    work->other = pool.first, pool.first = work;
    if (threads == 1) pthread_cond_signal(&pool.more);
    else pthread_cond_broadcast(&pool.more);
    UNLOCK();
#endif
    return 1;
}

/* Does what is left of a work, or nothing further where it is not wanted, and waits until no thread is at it. Whoever
 * began it gives back its own memory. */
static void end_work(Work *work, int wanted) {
#if THREADS
    if (work->process != getpid()) { /* begun before a fork: what was done by then is not known */
        for (int k = 0; wanted && k < work->pieces; k++) work->piece(work, k, work->area, k == 0);
        return; /* what it takes is not given back */
    }
#endif
    LOCK();
    if (!wanted) work->left -= work->end - work->next, work->next = work->end;
    do_pieces(work);
#if THREADS
    while (work->left > 0) pthread_cond_wait(&work->done, &pool.lock);
    if (work->threads) {
        Work **at = &pool.first;
        while (*at != work) at = &(*at)->other;
        *at = work->other;
        pthread_cond_destroy(&work->done);
    }
#endif
    UNLOCK();
    free(work->area);
}

#endif
